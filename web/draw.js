// The level scale and the ten-minute strip, drawn as SVG so that they print.

const SVG = "http://www.w3.org/2000/svg";

/** One SVG element; `fields` are its attributes. */
function draw(name, fields = {}, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(fields)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

/** The width to draw at, in pixels; a usual one where nothing is laid out yet. */
const wide = (into) => into.clientWidth || 740;

const round = (number) => Math.round(number * 10) / 10;

/** Whole steps of 1, 2 or 5 times a power of ten that part `full` into at most `most`. */
export function steps(full, most) {
  const rough = full / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  const size = [1, 2, 5, 10].map((factor) => factor * power).find((candidate) => candidate >= rough);
  const marks = [];
  for (let k = 0; k * size <= full * 1.0001; k += 1) marks.push(k * size);
  return marks;
}

const SCALE = { height: 116, left: 8, right: 66, top: 22, bar: 50 };

/**
 * The level scale, 0 at the left: the band expected with drawn edges, a pointer at the level now, and a thin bar over
 * what the last ten minutes held. Quantities are pascals; `unit` is `{name, pascals}`.
 */
export function scale(into, { level, expected, full, lately, unit }) {
  const { height, left, right, top, bar } = SCALE;
  const width = wide(into);
  const x = (pa) => round(left + (Math.min(Math.max(pa, 0), full) / full) * (width - left - right));
  const svg = draw("svg", { viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" });
  svg.append(draw("rect", { class: "rail", x: left, y: top, width: width - left - right, height: bar }));
  if (expected) {
    const [low, high] = [x(expected.low_pa), x(expected.high_pa)];
    svg.append(draw("rect", { class: "band", x: low, y: top, width: Math.max(high - low, 3), height: bar }));
    svg.append(draw("path", { class: "mid", d: `M${x(expected.mid_pa)} ${top}v${bar}` }));
  }
  for (const mark of steps(full / unit.pascals, width > 500 ? 9 : 5)) {
    const at = x(mark * unit.pascals);
    svg.append(draw("path", { class: "tick", d: `M${at} ${top + bar}v8` }));
    svg.append(draw("text", { x: at, y: top + bar + 32, "text-anchor": mark ? "middle" : "start" }, String(round(mark))));
  }
  svg.append(draw("text", { class: "unit", x: width, y: top + bar + 32, "text-anchor": "end" }, unit.name));
  if (lately) {
    const [low, high] = [x(lately.min), x(lately.max)];
    svg.append(draw("rect", { class: "lately", x: low, y: top + bar - 10, width: Math.max(high - low, 3), height: 10 }));
  }
  if (level !== null) {
    const at = x(level);
    svg.append(draw("path", { class: "pointer", d: `M${at - 15} 2H${at + 15}L${at + 4} ${top}V${top + bar}H${at - 4}V${top}Z` }));
  }
  into.replaceChildren(svg);
}

/**
 * Past readings by pixel column: the least and the greatest of every reading that falls in it, so that no dip is lost
 * however far the time is pressed together. `samples` are `{at, min, max, low, high}`; a column without any is null.
 */
export function columns(samples, from, to, count) {
  const cells = new Array(count).fill(null);
  for (const sample of samples) {
    const index = Math.floor(((sample.at - from) / (to - from)) * count);
    if (index < 0 || index >= count) continue;
    const cell = (cells[index] ??= { min: Infinity, max: -Infinity, low: null, high: null });
    cell.min = Math.min(cell.min, sample.min);
    cell.max = Math.max(cell.max, sample.max);
    cell.low = sample.low ?? cell.low;
    cell.high = sample.high ?? cell.high;
  }
  return cells;
}

const STRIP_HEIGHT = 80;

/**
 * The last `seconds` up to `now`, both in seconds by the page's clock, between the pressures `from` and `to`; a stretch
 * without readings stays empty.
 */
export function strip(into, samples, now, seconds, [from, to]) {
  const [width, height] = [wide(into), STRIP_HEIGHT];
  const count = Math.ceil(width / 2);
  const cells = columns(samples, now - seconds, now, count);
  const x = (index) => round(((index + 0.5) * width) / count);
  const y = (pa) => round(height - 2 - ((Math.min(Math.max(pa, from), to) - from) / (to - from)) * (height - 4));
  const bars = cells.map((cell, k) => (cell ? `M${x(k)} ${y(cell.min) + 1}V${y(cell.max) - 1}` : "")).join("");
  const bands = cells.map((cell, k) => (cell?.low == null ? "" : `M${x(k)} ${y(cell.low)}V${y(cell.high)}`)).join("");
  const svg = draw("svg", { viewBox: `0 0 ${width} ${height}`, preserveAspectRatio: "none", "aria-hidden": "true" });
  svg.append(draw("path", { class: "past-band", d: bands }), draw("path", { class: "past", d: bars }));
  into.replaceChildren(svg);
}
