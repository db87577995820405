// Draws every figure with data-chart: the compiled shape comes from the server, the rows from
// the page. While the chart files are still being made the figure says so and tries again.
"use strict";

(() => {
  const RETRY_MS = 700;
  const views = new Map();

  const sleep = (ms) => new Promise((done) => setTimeout(done, ms));

  /** Columns of equal length to rows. */
  function rowsOf(columns) {
    const names = Object.keys(columns);
    const length = names.length ? columns[names[0]].length : 0;
    return Array.from({ length }, (_, index) =>
      Object.fromEntries(names.map((name) => [name, columns[name][index]])));
  }

  async function prepared(tell) {
    for (;;) {
      const answer = await fetch("/charts/state").then((reply) => reply.json());
      if (answer.state === "ready") return answer.folder;
      if (answer.state === "failed") throw new Error(answer.words);
      tell(answer.words);
      await sleep(RETRY_MS);
    }
  }

  let script;
  function embedding(folder) {
    script ??= new Promise((done, failed) => {
      const element = document.createElement("script");
      element.src = `${folder}/charts.js`;
      element.onload = () => done(window.vatsideEmbed);
      element.onerror = () => failed(new Error("the chart script did not arrive"));
      document.head.append(element);
    });
    return script;
  }

  const shapes = new Map();
  function shapeOf(folder, name) {
    if (!shapes.has(name)) {
      shapes.set(name, fetch(`${folder}/${name}.json`).then((reply) => reply.json()));
    }
    return shapes.get(name).then((shape) => structuredClone(shape));
  }

  async function draw(figure, datasets) {
    const canvas = figure.querySelector(".chart");
    const tell = (words) => { canvas.firstElementChild.textContent = words; };
    try {
      const folder = await prepared(tell);
      const [embed, spec] = await Promise.all([
        embedding(folder), shapeOf(folder, figure.dataset.chart)]);
      for (const source of spec.data) {
        if (source.name in datasets) source.values = rowsOf(datasets[source.name]);
      }
      spec.description = figure.dataset.words;
      // ast: expressions are walked, not evaluated, so the page needs no unsafe-eval.
      const made = await embed(canvas, spec, {
        mode: "vega", renderer: "svg", actions: false, ast: true, tooltip: false,
        defaultStyle: false, logLevel: 1,
      });
      views.set(figure.id, made.view);
      // One picture with its words: the table says the rest better than a hundred marks would.
      canvas.setAttribute("role", "img");
      canvas.setAttribute("aria-label", figure.dataset.words);
      canvas.querySelector("svg").setAttribute("aria-hidden", "true");
      figure.dataset.drawn = "yes";
    } catch (error) {
      tell(`The chart could not be drawn (${error.message}). The table below has the same figures.`);
    }
  }

  /** New rows for a chart that is there already; used by the live page. */
  async function redraw(figure, datasets) {
    const view = views.get(figure.id);
    if (!view) return;
    for (const [name, columns] of Object.entries(datasets)) view.data(name, rowsOf(columns));
    await view.runAsync();
  }

  window.vatsideCharts = { redraw };
  for (const figure of document.querySelectorAll("figure[data-chart]")) {
    draw(figure, JSON.parse(figure.querySelector("script").textContent));
  }
})();
