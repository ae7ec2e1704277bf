// What a reader does with the page: zooms, moves and reads plots with pointer or keys, saves their data, switches
// between light and dark.
const views = new Map();

function digits(x) {
  if (!Number.isFinite(x)) return "nothing";
  const text = x === 0 ? "0" : Math.abs(x) >= 1e6 || Math.abs(x) < 1e-4 ? x.toExponential(5) : String(Number(x.toPrecision(7)));
  return text.replace(/-/g, "−").replace("e+", "e");
}
const withUnit = (text, unit) => (unit ? `${text} ${unit}` : text);

function read(view) {
  const { plot, at } = view;
  view.over.replaceChildren();
  if (!at) { view.reading.textContent = ""; return; }
  const series = plot.series[at.series];
  const [x, y] = [series.place(at.point), series.values[at.point]];
  const axisName = plot.x.unit ? plot.x.title.slice(0, plot.x.title.lastIndexOf(" in ")) : plot.x.title;
  let text = `${axisName} ${withUnit(digits(x), plot.x.unit)}: ${plot.series.length > 1 ? series.name + " " : ""}${withUnit(digits(y), plot.y.unit)}`;
  if (series.low && Number.isFinite(series.low[at.point])) {
    text += `, interval ${digits(series.low[at.point])} to ${withUnit(digits(series.high[at.point]), plot.y.unit)}`;
  }
  if (series.standsFor > 1) text += ` (smallest or largest of ${series.standsFor} samples)`;
  if (view.reading.textContent !== text) view.reading.textContent = text;
  const [px, py] = [view.toX(x), view.toY(y)];
  if (px < view.box.left - 1 || px > view.box.right + 1) return;
  element(view.over, "path", { class: "cursor", d: `M${px} ${view.box.top}V${view.box.bottom}`, stroke: "#1b1f24", "stroke-dasharray": "3 3" });
  if (Number.isFinite(py)) element(view.over, "circle", { class: "ring", cx: px, cy: py, r: 7, fill: "none", stroke: "#1b1f24", "stroke-width": 2 });
}

function redraw(view) { draw(view); read(view); }

function setRange(view, low, high) {
  const [first, last] = view.whole;
  const narrowest = (last - first) * 1e-7;
  let span = Math.min(last - first, Math.max(narrowest, high - low));
  let start = Math.min(Math.max(first, (low + high - span) / 2), last - span);
  view.range = [start, start + span];
  redraw(view);
}

function zoom(view, factor, around) {
  const [low, high] = view.range;
  const centre = around ?? (view.at ? scaled(view.plot.x, view.plot.series[view.at.series].place(view.at.point)) : (low + high) / 2);
  const fixed = centre >= low && centre <= high ? centre : (low + high) / 2;
  setRange(view, fixed - (fixed - low) * factor, fixed + (high - fixed) * factor);
}

function move(view, part) {
  const by = part * (view.range[1] - view.range[0]);
  setRange(view, view.range[0] + by, view.range[1] + by);
}

// The next point of the range that has a value, some steps on.
function step(view, by, series = view.at ? view.at.series : 0) {
  const points = view.drawn[series].filter((k) => {
    const x = scaled(view.plot.x, view.plot.series[series].place(k));
    return x >= view.range[0] && x <= view.range[1] && Number.isFinite(view.plot.series[series].values[k]);
  }).sort((a, b) => view.plot.series[series].place(a) - view.plot.series[series].place(b));
  if (!points.length) return;
  const now = view.at ? view.plot.series[view.at.series].place(view.at.point) : NaN;
  let nearest = by < 0 ? points.length : -1;
  if (view.at) {
    nearest = 0;
    points.forEach((k, n) => {
      const off = (m) => Math.abs(view.plot.series[series].place(points[m]) - now);
      if (off(n) < off(nearest)) nearest = n;
    });
  }
  view.at = { series, point: points[Math.min(points.length - 1, Math.max(0, nearest + by))] };
  read(view);
}

function keyed(view, event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const several = view.plot.series.length;
  const acts = {
    ArrowLeft: () => (event.shiftKey ? move(view, -0.2) : step(view, -1)),
    ArrowRight: () => (event.shiftKey ? move(view, 0.2) : step(view, 1)),
    PageUp: () => step(view, -10), PageDown: () => step(view, 10),
    ArrowUp: () => step(view, 0, ((view.at ? view.at.series : 0) + several - 1) % several),
    ArrowDown: () => step(view, 0, ((view.at ? view.at.series : -1) + 1) % several),
    Home: () => step(view, -Infinity), End: () => step(view, Infinity),
    "+": () => zoom(view, 0.5), "=": () => zoom(view, 0.5), "-": () => zoom(view, 2), "−": () => zoom(view, 2),
    0: () => setRange(view, ...view.whole), Escape: () => { view.at = null; read(view); },
  };
  const act = acts[event.key];
  if (!act) return;
  event.preventDefault();
  act();
}

function csv(plot) {
  const quoted = (text) => `"${text.replace(/"/g, '""')}"`;
  const number = (x) => (x !== undefined && Number.isFinite(x) ? String(x) : "");
  const rows = [`series,${quoted(plot.x.title)},${quoted(plot.y.title)},low,high`];
  for (const series of plot.series) {
    for (let k = 0; k < series.values.length; k++) {
      rows.push([quoted(series.name), number(series.place(k)), number(series.values[k]), number(series.low?.[k]), number(series.high?.[k])].join(","));
    }
  }
  return rows.join("\n") + "\n";
}

// The drawing as it is, in the colours of paper.
function alone(view) {
  const copy = view.svg.cloneNode(true);
  copy.lastChild.remove();
  copy.querySelectorAll("[class]").forEach((part) => part.removeAttribute("class"));
  const paper = document.createElementNS(SVG, "rect");
  paper.setAttribute("width", "100%"); paper.setAttribute("height", "100%"); paper.setAttribute("fill", "#fff");
  copy.prepend(paper);
  return new XMLSerializer().serializeToString(copy);
}

function save(name, type, text) {
  const link = document.createElement("a");
  const address = URL.createObjectURL(new Blob([text], { type }));
  link.href = address;
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 1000);
}

function acted(view, act) {
  const acts = {
    in: () => zoom(view, 0.5), out: () => zoom(view, 2), left: () => move(view, -0.2), right: () => move(view, 0.2),
    all: () => setRange(view, ...view.whole),
    csv: () => save(`${view.plot.id}.csv`, "text/csv", csv(view.plot)),
    svg: () => save(`${view.plot.id}.svg`, "image/svg+xml", alone(view)),
  };
  acts[act]();
}

function pointed(view) {
  const frame = view.frame;
  // Where an event is, in the units of the drawing and in scaled values.
  const place = (event) => {
    const bounds = view.svg.getBoundingClientRect();
    const x = ((event.clientX - bounds.left) / bounds.width) * view.drawnWidth;
    const y = ((event.clientY - bounds.top) / bounds.width) * view.drawnWidth;
    const part = (x - view.box.left) / (view.box.right - view.box.left);
    return { x, y, value: view.range[0] + Math.min(1, Math.max(0, part)) * (view.range[1] - view.range[0]) };
  };
  let from = null;
  frame.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    from = { ...place(event), range: view.range, moving: event.shiftKey || event.pointerType === "touch" };
    frame.setPointerCapture(event.pointerId);
  });
  frame.addEventListener("pointermove", (event) => {
    const here = place(event);
    if (from && from.moving) {
      const by = ((from.x - here.x) / (view.box.right - view.box.left)) * (from.range[1] - from.range[0]);
      setRange(view, from.range[0] + by, from.range[1] + by);
    } else if (from && Math.abs(here.x - from.x) > 4) {
      view.over.replaceChildren();
      const [a, b] = [view.box.left, view.box.right].map((end, k) => (k ? Math.min(end, Math.max(here.x, from.x)) : Math.max(end, Math.min(here.x, from.x))));
      element(view.over, "rect", { class: "chosen", x: a, y: view.box.top, width: Math.max(0, b - a), height: view.box.bottom - view.box.top });
    } else {
      nearest(view, here);
    }
  });
  frame.addEventListener("pointerup", (event) => {
    const here = place(event);
    if (from && !from.moving && Math.abs(here.x - from.x) > 4) setRange(view, Math.min(from.value, here.value), Math.max(from.value, here.value));
    from = null;
  });
  frame.addEventListener("pointercancel", () => { from = null; });
  frame.addEventListener("pointerleave", () => { if (!from && document.activeElement !== frame) { view.at = null; read(view); } });
  frame.addEventListener("dblclick", () => setRange(view, ...view.whole));
  // The wheel scrolls the page until a plot was chosen.
  frame.addEventListener("wheel", (event) => {
    if (document.activeElement !== frame) return;
    event.preventDefault();
    zoom(view, event.deltaY > 0 ? 1.25 : 0.8, place(event).value);
  }, { passive: false });
}

function nearest(view, here) {
  let best = null;
  view.plot.series.forEach((series, s) => {
    for (const k of view.drawn[s]) {
      const [x, y] = [view.toX(series.place(k)), view.toY(series.values[k])];
      // Along the horizontal first, as one points at a curve.
      const off = Math.abs(x - here.x) + 0.2 * Math.abs(y - here.y);
      if (x >= view.box.left - 1 && x <= view.box.right + 1 && (!best || off < best.off)) best = { off, series: s, point: k };
    }
  });
  view.at = best && { series: best.series, point: best.point };
  read(view);
}

function start() {
  for (const holder of document.querySelectorAll("script.data")) {
    const plot = unpacked(JSON.parse(holder.textContent));
    const figure = document.getElementById(`plot-${plot.id}`);
    const frame = figure.querySelector(".frame");
    const view = { plot, frame, svg: frame.querySelector("svg"), reading: figure.querySelector(".reading"), width: frame.clientWidth || 760, at: null };
    view.whole = fullRange(plot);
    view.range = plot.view ? plot.view.map((x) => scaled(plot.x, x)) : view.whole;
    views.set(plot.id, view);
    figure.querySelector(".tools").hidden = false;
    figure.querySelector(".tools").addEventListener("click", (event) => {
      const button = event.target.closest("button");
      if (button) acted(view, button.dataset.act);
    });
    frame.addEventListener("keydown", (event) => keyed(view, event));
    pointed(view);
    // Also called when what held it is opened.
    new ResizeObserver(() => {
      if (frame.clientWidth > 0 && frame.clientWidth !== view.drawnWidth) { view.width = frame.clientWidth; redraw(view); }
    }).observe(frame);
    redraw(view);
  }
  const button = document.getElementById("theme");
  const prefers = matchMedia("(prefers-color-scheme: dark)");
  const dark = () => (document.documentElement.dataset.theme || (prefers.matches ? "dark" : "light")) === "dark";
  const told = () => { button.textContent = dark() ? "Light" : "Dark"; button.setAttribute("aria-label", `Switch to ${dark() ? "light" : "dark"} colours`); };
  button.hidden = false;
  button.addEventListener("click", () => { document.documentElement.dataset.theme = dark() ? "light" : "dark"; told(); });
  prefers.addEventListener("change", told);
  told();
}
start();
