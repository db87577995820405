"""Which conditions failures go with: link tests, risk curve, threshold. Pure."""
