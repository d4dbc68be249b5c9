// Charts of a page: unpacked, drawn when they come near the window, given as numbers and as files where asked.
// A page without scripts shows the numbers instead. `packing.py` is the other side of `unpack`.
"use strict";
(() => {
  const here = document.currentScript;
  const NEAR = "300px";
  const WIDE = matchMedia("(min-width: 46.01rem)");
  let data = null;

  // ---- unpacking ----
  function column(packed, rows) {
    if (Array.isArray(packed)) return packed;
    if ("is" in packed) return Array(rows).fill(packed.is);
    if ("again" in packed) {
      const round = column(packed.again);
      return Array.from({ length: rows }, (_, i) => round[i % round.length]);
    }
    if ("runs" in packed) return packed.runs.flatMap(([value, count]) => Array(count).fill(value));
    const scale = 10 ** packed.e;
    if ("n" in packed) return packed.n.map((whole) => (whole === null ? null : whole / scale));
    let whole = 0;
    return packed.steps.map((step) => (whole += step) / scale);
  }
  function unpack(node, shared) {
    if (Array.isArray(node)) return node.map((inner) => unpack(inner, shared));
    if (node === null || typeof node !== "object") return node;
    if ("$" in node) return unpack(shared[node.$], shared);
    const plain = {};
    for (const key of Object.keys(node)) plain[key] = unpack(node[key], shared);
    if (!("$rows" in plain)) return plain;
    const columns = Object.entries(plain.of).map(([name, packed]) => [name, column(packed, plain.$rows)]);
    return Array.from({ length: plain.$rows }, (_, i) => Object.fromEntries(columns.map(([name, values]) => [name, values[i]])));
  }
  const specification = (name) => unpack(data.charts[name], data.shared);

  // ---- drawing ----
  function library() {
    if (window.vegaEmbed) return Promise.resolve();
    library.asked ??= new Promise((there, failed) => {
      const script = document.createElement("script");
      script.src = here.dataset.library;
      script.addEventListener("load", there);
      script.addEventListener("error", () => failed(new Error("the drawing library could not be loaded")));
      document.head.append(script);
    });
    return library.asked;
  }
  function nameOf(figure) {
    const wide = figure.dataset.chart + "@wide";
    return wide in data.charts && WIDE.matches ? wide : figure.dataset.chart;
  }
  async function draw(figure) {
    const drawing = figure.querySelector(".drawing");
    try {
      await library();
      const place = document.createElement("div");
      const chart = await vegaEmbed(place, specification(nameOf(figure)), {
        ast: true, renderer: "svg", actions: false, defaultStyle: false, tooltip: { disableDefaultStyle: true },
      });
      const svg = place.querySelector("svg");
      svg.setAttribute("aria-hidden", "true"); // the figure's sentence tells what is drawn
      lighten(svg);
      drawing.querySelector(".drawn")?.remove();
      place.className = "drawn";
      drawing.append(place);
      follow(figure, chart.view);
      figure.view = chart.view;
    } catch (error) {
      tell(figure, "This chart could not be drawn (" + error.message + "); its numbers stand below.");
      numbers(figure, true);
    }
  }
  // A drawing in few elements: lines of a grid that look alike become one path; what shows nothing goes.
  function lighten(svg) {
    for (const grid of svg.querySelectorAll(".role-axis-grid, .role-axis-tick")) {
      const alike = new Map();
      for (const line of grid.querySelectorAll("line")) {
        const { e: x, f: y } = line.transform.baseVal.consolidate()?.matrix || { e: 0, f: 0 };
        const look = ["stroke", "stroke-width", "stroke-opacity", "opacity"].map((name) => [name, line.getAttribute(name)]);
        const key = JSON.stringify(look);
        const one = alike.get(key) || { look, d: "" };
        one.d += `M${x},${y}l${line.getAttribute("x2") || 0},${line.getAttribute("y2") || 0}`;
        alike.set(key, one);
      }
      grid.replaceChildren(...[...alike.values()].map(({ look, d }) => {
        const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
        for (const [name, value] of look) if (value !== null) path.setAttribute(name, value);
        path.setAttribute("d", d);
        path.setAttribute("fill", "none");
        return path;
      }));
    }
    svg.querySelectorAll("path.background, path.foreground").forEach((path) => {
      const shows = (name) => { const value = path.getAttribute(name); return value && value !== "none" && value !== "transparent"; };
      if (!shows("fill") && !shows("stroke")) path.remove();
    });
    svg.querySelectorAll("text").forEach((text) => { if (!text.textContent) text.remove(); });
    svg.querySelectorAll("g:empty").forEach((group) => group.remove());
    for (const group of svg.querySelectorAll("g")) {
      const bare = [...group.attributes].every(({ name, value }) => name.startsWith("aria") || name === "role" || (name === "transform" && /^translate\(0, ?0\)$/.test(value)));
      if (bare) group.replaceWith(...group.childNodes);
    }
  }
  function tell(figure, words) {
    const note = figure.querySelector(".note") || figure.appendChild(document.createElement("p"));
    note.className = "note";
    note.textContent = words;
  }
  // Points that stand for a speaker lead to its page.
  function follow(figure, view) {
    const links = figure.querySelector("script[type='application/json']");
    if (!links) return;
    const at = JSON.parse(links.textContent);
    view.addEventListener("click", (_, item) => {
      const link = item && item.datum && at[item.datum.speaker];
      if (link) location.href = link;
    });
  }

  // ---- numbers and files ----
  function table(figure) {
    const kept = figure.querySelector("noscript");
    if (!kept) return null;
    return document.importNode(new DOMParser().parseFromString(kept.textContent, "text/html").querySelector("table"), true);
  }
  function numbers(figure, show) {
    const button = figure.querySelector("[data-numbers]");
    const shown = figure.querySelector(".numbers");
    if (shown) { shown.remove(); button.setAttribute("aria-expanded", "false"); return; }
    const found = show && table(figure);
    if (!found) return;
    const frame = document.createElement("div");
    frame.className = "numbers scroll";
    frame.tabIndex = 0;
    frame.setAttribute("role", "region");
    frame.setAttribute("aria-label", found.caption ? found.caption.textContent : "Numbers");
    frame.append(found);
    figure.append(frame);
    if (button) button.setAttribute("aria-expanded", "true");
  }
  // A spreadsheet takes a cell that begins so for a formula: an apostrophe keeps it text.
  const cell = (value) => {
    if (value === null || value === undefined) return "";
    const text = typeof value === "string" && /^[=+\-@\t\r]/.test(value) ? "'" + value : String(value);
    return /[",\n\r]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
  };
  // Curves at every frequency that is drawn, a column each; of other charts what the table holds.
  function csv(figure) {
    const rows = new Map(), heads = [];
    for (const points of Object.values(specification(nameOf(figure)).datasets || {})) {
      if (!Array.isArray(points) || !points.length || !("series" in points[0]) || !("frequency_hz" in points[0])) continue;
      const value = Object.keys(points[0]).find((key) => key !== "series" && key !== "frequency_hz");
      for (const point of points) {
        const head = point.series + " (" + value + ")";
        if (!heads.includes(head)) heads.push(head);
        if (!rows.has(point.frequency_hz)) rows.set(point.frequency_hz, {});
        rows.get(point.frequency_hz)[head] = point[value];
      }
    }
    const lines = [...rows].sort(([a], [b]) => a - b).map(([at, of]) => [at, ...heads.map((head) => of[head])]);
    const plain = heads.length ? [["frequency_hz", ...heads], ...lines]
      : [...table(figure).rows].map((row) => [...row.cells].map((c) => c.textContent.trim()));
    return plain.map((line) => line.map(cell).join(",")).join("\r\n") + "\r\n";
  }
  function save(blob, figure, ending) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = (document.title + " " + figure.dataset.chart).toLowerCase().replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-|-$/g, "") + ending;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  }
  const FILES = {
    PNG: async (figure) => (await figure.view.toCanvas(2)).toBlob((blob) => save(blob, figure, ".png")),
    SVG: async (figure) => save(new Blob([await figure.view.toSVG()], { type: "image/svg+xml" }), figure, ".svg"),
    CSV: async (figure) => save(new Blob(["\ufeff" + csv(figure)], { type: "text/csv" }), figure, ".csv"),
  };
  function tools(figure) {
    const bar = figure.querySelector(".tools");
    const what = figure.querySelector("figcaption").textContent.trim();
    const add = (words, act) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = words;
      button.setAttribute("aria-label", words + ": " + what);
      button.addEventListener("click", act);
      bar.append(button);
      return button;
    };
    const below = figure.dataset.numbers && document.getElementById(figure.dataset.numbers);
    if (below) {
      add("Numbers", () => { below.closest("details")?.setAttribute("open", ""); below.tabIndex = -1; below.focus(); });
    } else if (figure.querySelector("noscript")) {
      const button = add("Numbers", () => numbers(figure, true));
      button.dataset.numbers = "";
      button.setAttribute("aria-expanded", "false");
    }
    for (const [words, make] of Object.entries(FILES)) {
      if (words === "CSV" && !figure.querySelector("noscript")) continue;
      add(words, async () => { if (!figure.view) await draw(figure); if (figure.view) make(figure); });
    }
  }

  // ---- waking ----
  const near = new IntersectionObserver((seen) => {
    for (const entry of seen) if (entry.isIntersecting) { near.unobserve(entry.target); draw(entry.target); }
  }, { rootMargin: NEAR });
  const figures = () => [...document.querySelectorAll("figure[data-chart]")];
  function wake() {
    for (const figure of figures()) {
      if (figure.awake || !(figure.dataset.chart in data.charts)) continue;
      figure.awake = true;
      tools(figure);
      near.observe(figure);
    }
  }
  // What a page's own script holds: {shared, charts}. The page names that script; in a sheet it stands inside.
  window.speakerdbCharts = (packed) => { data = packed; wake(); };
  window.speakerdbFetchCharts = () => {
    const place = document.querySelector("[data-charts]");
    if (!place) return;
    const script = document.createElement("script");
    script.src = place.dataset.charts;
    script.addEventListener("error", () => figures().forEach((figure) => { tell(figure, "The charts could not be loaded; their numbers stand below."); numbers(figure, true); }));
    document.head.append(script);
  };
  window.speakerdbFetchCharts();
  WIDE.addEventListener("change", () => figures().filter((f) => f.view && f.dataset.chart + "@wide" in data.charts).forEach(draw));
  addEventListener("beforeprint", () => {
    for (const fold of document.querySelectorAll("details:not([data-stays])")) fold.open = true;
    if (data) for (const figure of figures()) if (figure.awake && !figure.view) { near.unobserve(figure); draw(figure); }
  });
})();
