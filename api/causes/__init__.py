"""Which conditions failures go with: link tests, risk curve, threshold, words. Pure."""

from api.causes.answer import ColdAnswer, answer
from api.causes.rows import PrintRow
from api.causes.words import Verdict

__all__ = ["ColdAnswer", "PrintRow", "Verdict", "answer"]
