// Turns keys and values into sentences, and quantities into text in the unit of the reader's choice.

const PASCALS_IN = { kPa: [1000, 1], mbar: [100, 0], inHg: [3386.389, 1] };
const OWN_PREFIX = /^(alarm|cause|degraded|do|prompt|refused)-(?=.)/;
const TIMES = new Set(["margin", "required", "least"]);

let messages = {};
let unit = "kPa";
const locale = document.documentElement.lang || "en";

/** Loads the sentences and settles the unit: asked for in the address, kept from before, or usual in the region. */
export async function load(build) {
  const answer = await fetch(`/web/${build}/messages.${locale}.json`);
  messages = await answer.json();
  unit = chosenUnit();
}

function chosenUnit() {
  const asked = new URLSearchParams(location.search).get("unit");
  if (asked in PASCALS_IN) {
    localStorage.setItem("unit", asked);
    return asked;
  }
  const kept = localStorage.getItem("unit");
  if (kept in PASCALS_IN) return kept;
  return navigator.language.endsWith("-US") ? "inHg" : "kPa";
}

function fixed(number, digits) {
  return number.toLocaleString(locale, { minimumFractionDigits: digits, maximumFractionDigits: digits });
}

/** A number that no locale can turn into minus nothing. */
function plain(number, digits) {
  const text = fixed(number, digits);
  return /[1-9]/.test(text) ? text : fixed(0, digits);
}

/** The scale that pressures are shown in: its name, and pascals to one of it. */
export function pressureUnit() {
  return { name: unit, pascals: PASCALS_IN[unit][0] };
}

export function pressure(pascals, bare = false) {
  const [size, digits] = PASCALS_IN[unit];
  const number = plain(pascals / size, digits);
  return bare ? number : `${number}\u00a0${unit}`;
}

export function times(ratio) {
  return `${plain(ratio, ratio < 9.95 ? 1 : 0)}×`;
}

export function span(seconds) {
  const whole = Math.max(0, seconds);
  if (whole < 9.95) return `${plain(whole, Number.isInteger(whole) ? 0 : 1)}\u00a0s`;
  if (whole < 120) return `${Math.round(whole)}\u00a0s`;
  if (whole < 7200) return `${Math.floor(whole / 60)}\u00a0min`;
  return `${Math.floor(whole / 3600)}\u00a0h`;
}

/** Local time of day of an RFC 3339 time. */
export function clock(time) {
  return new Date(time).toLocaleTimeString(locale, { hour: "2-digit", minute: "2-digit", hour12: false });
}

/** Local time of day of an RFC 3339 time, with its day where that is another. */
export function dayAndClock(time) {
  const day = new Date(time);
  const today = day.toDateString() === new Date().toDateString();
  return today ? clock(time) : `${day.toLocaleDateString(locale, { day: "numeric", month: "short" })}, ${clock(time)}`;
}

/** A name from outside, without control characters, and kept from turning the text around it. */
function apart(name) {
  const text = String(name).replace(/[\p{Cc}\u202a-\u202e\u2066-\u2069]/gu, " ");
  return /^[\x20-\x7e]*$/.test(text) ? text : `\u2068${text}\u2069`;
}

function shown(name, value, bare) {
  if (typeof value !== "number") return apart(value);
  if (name.endsWith("_pa")) return pressure(value, bare);
  if (name.endsWith("_m")) return `${plain(value * 1000, Math.abs(value) < 0.0995 ? 1 : 0)}\u00a0mm`;
  if (name.endsWith("_m2")) return `${plain(value * 1e4, 0)}\u00a0cm²`;
  if (name.endsWith("_s")) return span(value);
  if (name.endsWith("_m3_h")) return `${plain(value, value < 10 ? 1 : 0)}\u00a0m³/h`;
  if (name.endsWith("_share")) return `${plain(value * 100, 0)}\u00a0%`;
  if (name.endsWith("_ratio") || TIMES.has(name)) return times(value);
  return plain(value, Number.isInteger(value) || Math.abs(value) >= 10 ? 0 : 1);
}

/**
 * The sentence of a key. `{name}` stands for a value, `{name:n}` for its number without the unit; a part in brackets is
 * left out where one of its values is missing.
 */
export function fill(template, values = {}) {
  const has = (name) => values[name] !== undefined && values[name] !== null;
  const put = (text) =>
    text.replace(/\{(\w+)(:n)?\}/g, (_, name, bare) => (has(name) ? shown(name, values[name], bare) : "–"));
  const kept = template.replace(/\[([^[\]]*)\]/g, (_, part) =>
    [...part.matchAll(/\{(\w+)/g)].every(([, name]) => has(name)) ? part : "",
  );
  return put(kept);
}

function ownWords(key) {
  const text = key.replace(OWN_PREFIX, "");
  return /^[a-z-]+$/.test(text) ? text.replaceAll("-", " ") : apart(text);
}

/** The sentence of a key, or the key's own words where there is none. */
export function say(key, values = {}) {
  const template = messages[key];
  return template === undefined ? ownWords(key) : fill(template, values);
}

/** The sentence of a message as the interface sends it. */
export function tell(message) {
  return say(message.key, message.values);
}
