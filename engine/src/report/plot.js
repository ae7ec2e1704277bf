// Draws a range of a plot into its SVG: axes, series, marks. The first drawing in the page is the program's own; this
// one follows the same rules and fits the width that there is.
const STYLES = 4;
const DASHES = ["", "7 3", "2 3", "10 3 2 3"];
const SYMBOLS = [
  "m-3.2 0a3.2 3.2 0 1 0 6.4 0a3.2 3.2 0 1 0 -6.4 0", "m0 -6.4l6 10.4h-12z", "m-3 -3h6v6h-6z", "m0 -5.6l5 5.6l-5 5.6l-5 -5.6z",
];
const INKS = ["#0b5394", "#a8410a", "#2a6a3f", "#7b2d73"];
const SVG = "http://www.w3.org/2000/svg";

// Numbers from base64 of little-endian doubles or singles.
function decoded(packed) {
  const text = atob(packed.base64);
  const bytes = new Uint8Array(text.length);
  for (let k = 0; k < text.length; k++) bytes[k] = text.charCodeAt(k);
  return packed.bits === 64 ? new Float64Array(bytes.buffer) : new Float32Array(bytes.buffer);
}

function unpacked(plot) {
  for (const series of plot.series) {
    series.values = decoded(series.values);
    if (series.low) { series.low = decoded(series.low); series.high = decoded(series.high); }
    if (series.at.list) {
      const list = decoded(series.at.list);
      series.place = (k) => list[k];
      series.rising = list.every((x, k) => k === 0 || x >= list[k - 1]);
    } else {
      const { start, step } = series.at;
      series.place = (k) => start + step * k;
      series.rising = true;
    }
  }
  return plot;
}

// Indices from the first to one past the last that may lie in a range; with a neighbour on either side, so that lines
// reach the ends.
function within(series, low, high) {
  const count = series.values.length;
  if (!series.rising) return [0, count];
  const first = (limit) => {
    let [a, b] = [0, count];
    while (a < b) { const m = (a + b) >> 1; if (series.place(m) < limit) a = m + 1; else b = m; }
    return a;
  };
  return [Math.max(0, first(low) - 1), Math.min(count, first(high) + 2)];
}

const scaled = (axis, x) => (axis.log ? Math.log10(x) : x);
const unscaled = (axis, x) => (axis.log ? 10 ** x : x);

// The range of all points along an axis, in scaled values, with some room at the ends.
function fullRange(plot) {
  let [low, high] = [Infinity, -Infinity];
  let dots = false;
  for (const series of plot.series) {
    dots = dots || series.dots;
    const count = series.values.length;
    const every = series.rising ? [0, count - 1] : Array.from({ length: count }, (_, k) => k);
    if (series.rising && plot.x.log) for (let k = 0; k < count; k++) if (series.place(k) > 0) { every[0] = k; break; }
    for (const k of every) {
      const x = scaled(plot.x, series.place(k));
      if (Number.isFinite(x)) { low = Math.min(low, x); high = Math.max(high, x); }
    }
  }
  if (!(high > low)) return [low - (Math.abs(low) * 0.1 || 1), high + (Math.abs(high) * 0.1 || 1)];
  const room = dots ? 0.02 * (high - low) : 0;
  return [low - room, high + room];
}

function nice(x) {
  const decade = 10 ** Math.floor(Math.log10(x));
  return ([1, 2, 5].find((m) => m * decade >= x * (1 - 1e-9)) || 10) * decade;
}

function plain(value, step) {
  const places = -Math.floor(Math.log10(step));
  if (Math.abs(value) < 1e-9 * step) return "0";
  let text;
  if (Math.abs(value) >= 1e6 || Math.abs(value) < 1e-4) {
    text = value.toExponential(Math.min(12, Math.max(0, Math.floor(Math.log10(Math.abs(value))) + places))).replace("e+", "e");
  } else {
    text = value.toFixed(Math.min(12, Math.max(0, places)));
    if (text.includes(".")) text = text.replace(/0+$/, "").replace(/\.$/, "");
  }
  return text.replace(/-/g, "−");
}

function power(exponent) {
  if (exponent === 0) return "1";
  if (exponent === 1) return "10";
  return "10" + String(exponent).replace(/./g, (c) => "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"["-0123456789".indexOf(c)]);
}

// Ticks between two scaled values, as values with labels.
function ticks(axis, [low, high], count) {
  let step = nice((high - low) / count);
  if (axis.log) {
    step = Math.round(Math.max(1, step));
    if (high - low < 2.2) {
      const all = [];
      for (let d = Math.floor(low); d <= Math.ceil(high); d++) for (const m of [1, 2, 5]) all.push(m * 10 ** d);
      const inside = all.filter((v) => Math.log10(v) >= low && Math.log10(v) <= high);
      if (inside.length > 1) return inside.map((v) => [v, plain(v, 1e-3 * v)]);
      const width = 10 ** high - 10 ** low;
      return ticks({ log: false }, [10 ** low, 10 ** high], count).filter(([v]) => v > 0 && width > 0);
    }
  }
  const found = [];
  for (let k = Math.ceil(low / step - 1e-9); k <= Math.floor(high / step + 1e-9); k++) {
    found.push(axis.log ? [10 ** (k * step), power(k * step)] : [k * step, plain(k * step, step)]);
  }
  return found;
}

// What is drawn of a series: all points in the range, or of each column of the screen the first, the last, the
// smallest and the largest, so that no peak is lost.
function shown(series, from, to, columnOf, columns) {
  const values = series.values;
  const all = [];
  if (to - from <= 4 * columns) {
    for (let k = from; k < to; k++) all.push(k);
    return all;
  }
  let column = NaN, first = -1, last = -1, low = -1, high = -1;
  const flush = () => {
    if (first < 0) return;
    for (const k of [...new Set([first, low, high, last])].sort((a, b) => a - b)) all.push(k);
  };
  for (let k = from; k < to; k++) {
    const y = values[k];
    if (!Number.isFinite(y)) {
      // A gap is kept as one point.
      flush(); first = -1; column = NaN;
      if (!all.length || Number.isFinite(values[all[all.length - 1]])) all.push(k);
      continue;
    }
    const here = columnOf(k);
    if (here !== column) { flush(); column = here; first = low = high = k; }
    if (y < values[low]) low = k;
    if (y > values[high]) high = k;
    last = k;
  }
  flush();
  return all;
}

function element(parent, name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const key in attributes) made.setAttribute(key, attributes[key]);
  if (text !== undefined) made.textContent = text;
  parent.appendChild(made);
  return made;
}

// Draws the range of a view; what the pointer needs to know of the geometry is kept in the view.
function draw(view) {
  const { plot, svg } = view;
  const width = Math.max(280, Math.round(view.width));
  const small = width < 520;
  const legendRows = [];
  if (plot.series.length > 1) {
    let room = 0;
    plot.series.forEach((series, k) => {
      const wide = 56 + 7 * series.name.length;
      if (!legendRows.length || room + wide > width - 20) { legendRows.push([]); room = 0; }
      legendRows[legendRows.length - 1].push([k, room]);
      room += wide;
    });
  }
  const marks = plot.marks.length ? 10 + 6.2 * Math.max(...plot.marks.map(([, label]) => Math.min(12, label.length))) : 0;
  const box = { left: small ? 62 : 78, right: width - 14, top: 12 + 22 * legendRows.length + marks };
  const height = (small ? 280 : 360) + 22 * legendRows.length + 0.6 * marks;
  box.bottom = height - 50;
  const range = view.range;
  const toX = (x) => box.left + ((scaled(plot.x, x) - range[0]) / (range[1] - range[0])) * (box.right - box.left);
  const columns = box.right - box.left;
  let [low, high] = [Infinity, -Infinity];
  const drawn = plot.series.map((series) => {
    const [from, to] = within(series, unscaled(plot.x, range[0]), unscaled(plot.x, range[1]));
    const points = shown(series, from, to, (k) => Math.floor(toX(series.place(k))), columns);
    for (const k of points) {
      const x = scaled(plot.x, series.place(k));
      if (!(x >= range[0] && x <= range[1])) continue;
      for (const y of series.low ? [series.values[k], series.low[k], series.high[k]] : [series.values[k]]) {
        const value = scaled(plot.y, y);
        if (Number.isFinite(value)) { low = Math.min(low, value); high = Math.max(high, value); }
      }
    }
    return points;
  });
  if (low > high) [low, high] = [0, 1];
  const spare = high - low > 1e-12 * Math.max(Math.abs(low), Math.abs(high)) ? 0.05 * (high - low) : Math.abs(high) * 0.1 || 1;
  const up = [low - spare, high + spare];
  const toY = (y) => box.bottom - ((scaled(plot.y, y) - up[0]) / (up[1] - up[0])) * (box.bottom - box.top);
  Object.assign(view, { box, toX, toY, drawn, drawnWidth: width });

  svg.replaceChildren();
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.setAttribute("width", width);
  svg.setAttribute("height", height);
  const clip = `clip-${plot.id}`;
  element(element(element(svg, "defs", {}), "clipPath", { id: clip }), "rect", {
    x: box.left - 4, y: box.top - 4, width: columns + 8, height: box.bottom - box.top + 8,
  });
  for (const [value, label] of ticks(plot.y, up, 5)) {
    const at = toY(value);
    element(svg, "path", { class: "grid", d: `M${box.left} ${at}H${box.right}`, stroke: "#d5d9de" });
    element(svg, "text", { x: box.left - 8, y: at + 4.5, "text-anchor": "end" }, label);
  }
  for (const [value, label] of ticks(plot.x, range, small ? 4 : 7)) {
    const at = toX(value);
    element(svg, "path", { class: "grid", d: `M${at} ${box.top}V${box.bottom}`, stroke: "#d5d9de" });
    element(svg, "text", { x: at, y: box.bottom + 19, "text-anchor": "middle" }, label);
  }
  element(svg, "path", { class: "axis", d: `M${box.left} ${box.top}V${box.bottom}H${box.right}`, fill: "none", stroke: "#1b1f24" });
  element(svg, "text", { x: (box.left + box.right) / 2, y: box.bottom + 41, "text-anchor": "middle" }, plot.x.title);
  element(svg, "text", { transform: `translate(15 ${(box.top + box.bottom) / 2}) rotate(-90)`, "text-anchor": "middle" }, plot.y.title);
  let last = -Infinity;
  const labels = plot.marks.map(([x, label]) => [toX(x), label]).filter(([at]) => at >= box.left && at <= box.right);
  for (const [at, label] of labels.sort((a, b) => a[0] - b[0])) {
    element(svg, "path", { class: "mark", d: `M${at} ${box.top}V${box.bottom}`, stroke: "#5a626c", "stroke-dasharray": "1 3" });
    if (at - last < 13) continue;
    const text = label.length > 12 ? label.slice(0, 11) + "…" : label;
    const place = text.length > 2
      ? { transform: `translate(${at + 4} ${box.top - 5}) rotate(-90)` }
      : { x: at, y: box.top - 5, "text-anchor": "middle" };
    element(svg, "text", { ...place, "font-size": 11 }, text);
    last = at;
  }
  const inside = element(svg, "g", { "clip-path": `url(#${clip})` });
  plot.series.forEach((series, k) => drawSeries(inside, series, drawn[k], k % STYLES, toX, toY));
  legendRows.forEach((row, line) => row.forEach(([k, room]) => {
    const [series, style, x, y] = [plot.series[k], k % STYLES, (small ? 8 : box.left) + room, 14 + 22 * line];
    if (series.line) element(svg, "path", { class: `line s${style}`, d: `M${x} ${y}h26`, stroke: INKS[style], "stroke-width": 1.6, "stroke-dasharray": DASHES[style] });
    if (series.dots) element(svg, "path", { class: `dot s${style}`, d: `M${x + 13} ${y}${SYMBOLS[style]}`, fill: INKS[style] });
    element(svg, "text", { x: x + 32, y: y + 4.5 }, series.name);
  }));
  view.over = element(svg, "g", {});
}

function drawSeries(parent, series, points, style, toX, toY) {
  const ink = INKS[style];
  const at = (k) => [toX(series.place(k)).toFixed(1), toY(series.values[k]).toFixed(1)];
  if (series.low) {
    let path = "";
    for (const k of points) {
      const [x, a, b] = [toX(series.place(k)), toY(series.low[k]), toY(series.high[k])];
      if (Number.isFinite(x + a + b)) path += `M${x} ${a}V${b}M${x - 2.5} ${a}h5M${x - 2.5} ${b}h5`;
    }
    element(parent, "path", { class: `bar s${style}`, d: path, fill: "none", stroke: ink });
  }
  const there = (k) => Number.isFinite(toX(series.place(k))) && Number.isFinite(toY(series.values[k]));
  if (series.line) {
    let [path, pen] = ["", "M"];
    for (const k of points) {
      if (!there(k)) { pen = "M"; continue; }
      path += pen + at(k).join(" ");
      pen = "L";
    }
    element(parent, "path", {
      class: `line s${style}`, d: path, fill: "none", stroke: ink, "stroke-width": 1.4, "stroke-linejoin": "round", "stroke-dasharray": DASHES[style],
    });
  }
  if (series.dots) {
    const path = points.filter(there).map((k) => `M${at(k).join(" ")}${SYMBOLS[style]}`).join("");
    element(parent, "path", { class: `dot s${style}`, d: path, fill: ink });
  }
}
