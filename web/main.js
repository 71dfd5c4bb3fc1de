// Shows the newest view, and nothing that may not be believed.

import { scale, strip } from "./draw.js";
import * as keys from "./keys.js";
import { Link } from "./link.js";
import { clock, dayAndClock, load, pressureUnit, say, span, tell, times, pressure } from "./words.js";

const STRIP_S = 600;
const MOST_ALARMS = 5;
const OVER = "returned-unacknowledged";
const WAITING = ["unacknowledged", OVER];
const ASIDE = ["shelved", "suppressed", "out-of-service"];
const NEW_FOR_S = 600;
const BACK_TO_FAR_MS = 180000;

const build = document.querySelector("meta[name=build]").content;
const one = (selector) => document.querySelector(selector);
const all = (selector) => document.querySelectorAll(selector);

const past = [];
let view = null;
let believed = null;
let drawnAt = -Infinity;
let touchedAt = performance.now();

/** Writes text only where it changed, so that nothing is laid out or announced for nothing. */
function write(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function writeAll(selector, text) {
  for (const node of all(selector)) write(node, text);
}

/** A list whose items are made anew only when what they say changed. */
function list(into, items, make) {
  const key = JSON.stringify(items);
  if (into.dataset.shown === key) return;
  into.dataset.shown = key;
  into.replaceChildren(...items.map(make));
}

function element(name, text, fields = {}) {
  const made = document.createElement(name);
  if (text !== null) made.textContent = text;
  for (const [key, value] of Object.entries(fields)) made.setAttribute(key, value);
  return made;
}

/** What may be said now: the view's own word while it is fresh, else that nobody is watching. */
function belief(state) {
  const own = view?.verdict === "blind" ? state.heard : state.fresh;
  if (view && own) return { verdict: view.verdict, why: reason(), fresh: view.verdict !== "blind", heard: true };
  const key = !view ? "connecting" : state.heard ? "stale" : "connection-lost";
  const age_s = Math.floor(state.heard ? (state.age ?? state.silent) : state.silent);
  return { verdict: "blind", why: say(key, { age_s }), fresh: false, heard: Boolean(view) && state.heard };
}

/** Why the word is what it is; what the message leaves out is taken from the view. */
function reason() {
  const { vacuum_pa, age_s, margin } = view;
  return say(view.why.key, { vacuum_pa, age_s, margin: margin?.least, ...view.why.values });
}

function showWord({ verdict, why }) {
  const word = say(`word-${verdict}`);
  document.body.dataset.verdict = verdict;
  writeAll(".word", word);
  writeAll(".why", why);
  for (const use of all(".slab use")) {
    if (use.getAttribute("href") !== `#shape-${verdict}`) use.setAttribute("href", `#shape-${verdict}`);
  }
  const table = view?.table ?? "";
  const title = say(view?.source === "simulated" ? "title-simulated" : "title", { word, table });
  if (document.title !== title) document.title = title;
}

/** Speaks once for each onset: danger at once, anything else politely. Nothing is announced in shadow. */
function announce(now) {
  if (!view || (believed && believed.verdict === now.verdict)) return;
  const word = say(`word-${now.verdict}`);
  const danger = now.verdict === "loose" || (now.verdict === "blind" && view.job?.cutting);
  const shadow = view.shadow_sheets_left > 0;
  const loud = danger && !shadow;
  write(one(loud ? "#news" : "#bell"), "");
  write(one(loud ? "#bell" : "#news"), `${word}. ${now.why}`);
}

function showAge(state) {
  const age = view && state.age !== null ? say("age", { age_s: state.age }) : say("age-none");
  write(one("#age"), age);
  const old = view && !state.heard ? say("as-of", { age_s: Math.floor(state.silent) }) : "";
  writeAll("h2 small", old);
}

function degradedText({ name, since, since_s }) {
  const named = /^(line|gauge|zone|contact|output)-(.+)-(gone|silent|flat|garbled|unfit|faulty|busy|unreached|refusing)$/.exec(name);
  const key = named ? `degraded-${named[1]}-${named[3]}` : `degraded-${name}`;
  return say(key, { line: named?.[2], since: since ? clock(since) : span(since_s) });
}

function degradedTexts() {
  return view.degraded.filter(({ name }) => name !== "shadow").map(degradedText);
}

function showChips() {
  const chips = degradedTexts();
  if (view.alarms.some(({ state }) => state === OVER)) chips.unshift(say("unseen-over"));
  if (view.shadow_sheets_left > 0) chips.push(say("shadow-left", { count: view.shadow_sheets_left }));
  const quiet = view.alarms.filter(({ state }) => state === "shelved").length;
  if (quiet) chips.push(say("quieted", { count: quiet }));
  if (view.at && view.watching_s < NEW_FOR_S) {
    chips.push(say("watching-since", { since: clock(Date.parse(view.at) - view.watching_s * 1000) }));
  }
  if (view.cutting === "guessed") chips.push(say("cutting-guessed"));
  if (view.quality !== "good" && view.quality !== "failure") chips.push(say(`quality-${view.quality}`));
  list(one("#chips"), chips, (chip) => element("li", chip));
}

function showHold(fresh) {
  const margin = fresh ? view.margin : null;
  write(one("#far-margin"), margin ? times(margin.least) : say("none"));
  write(one("#far-needed"), margin ? say("margin-needed", margin) : say("margin-none"));
  const ahead = margin ? say("margin-ahead", { least: margin.least_ahead, part: margin.part_ahead }) : "";
  write(one("#far-job"), view.job ? [jobText(), ahead].filter(Boolean).join(" · ") : say("job-none"));
}

function jobText() {
  const { card, fraction, between, parts, cutting } = view.job;
  const whole = (share) => Math.round(share * 100) / 100;
  const [low, high] = between ?? [fraction, fraction];
  const wide = high - low > 0.02;
  const range = wide ? { low_share: whole(low), high_share: whole(high) } : {};
  const told = { card, cut_share: whole(fraction), ...range, count: parts, cutting: cutting ? say("job-cutting") : undefined };
  return say("job-line", told);
}

/** What lies at the ends of a table that has several. */
function endTexts() {
  const text = ({ id, card, fraction, worked_at }) => {
    if (card === null) return say("end-empty", { end: id });
    return say("end-line", { end: id, card, cut_share: Math.round(fraction * 100) / 100, at: worked_at ? say("end-worked") : undefined });
  };
  return (view.ends ?? []).map(text);
}

function showZones() {
  const zones = view.zones.map(({ id, told_open }) => [id, told_open]);
  const state = (open) => say(open ? "zone-open" : "zone-closed");
  list(one(".squares"), zones, ([, open]) => element("i", null, { "data-open": open }));
  one(".squares").setAttribute("aria-label", [say("zones"), ...zones.map(([id, open]) => `${id} ${state(open)}`)].join(", "));
  list(one(".tiles"), zones, ([id, open]) => {
    const tile = element("li", null, { "data-open": open });
    tile.append(element("b", id), element("span", state(open)));
    return tile;
  });
}

function showLevel(fresh) {
  const { expected, full_scale_vacuum_pa: full } = view;
  const level = fresh ? view.vacuum_pa : null;
  write(one("#number"), level === null ? say("none") : pressure(level));
  write(one("#band"), expected ? say(`expected-${expected.basis}`, expected) : say("expected-none"));
  const lately = range();
  scale(one("#scale"), { level, expected, full, lately, unit: pressureUnit() });
  label(one("#scale"), level, full);
}

/** A meter while there is something to read; a picture that says so while there is not. */
function label(node, level, full) {
  const { expected } = view;
  if (level === null) {
    node.setAttribute("role", "img");
    node.setAttribute("aria-label", say("scale-blind"));
    for (const name of ["now", "min", "max", "text"]) node.removeAttribute(`aria-value${name}`);
    return;
  }
  const values = { ...expected, vacuum_pa: level };
  node.setAttribute("role", "meter");
  node.setAttribute("aria-label", say("vacuum"));
  node.setAttribute("aria-valuemin", "0");
  node.setAttribute("aria-valuemax", String(Math.round(full)));
  node.setAttribute("aria-valuenow", String(Math.round(level)));
  node.setAttribute("aria-valuetext", say(expected ? "scale-text" : "scale-text-alone", values));
}

function range() {
  if (!past.length) return null;
  return { min: Math.min(...past.map(({ min }) => min)), max: Math.max(...past.map(({ max }) => max)) };
}

/** The pressures that the strip shows: all that was read or expected, and never less than a fifth of the scale. */
function bounds() {
  const full = view?.full_scale_vacuum_pa ?? 1;
  const seen = past.flatMap(({ min, max, low, high }) => [min, max, low ?? min, high ?? max]);
  const [least, most] = seen.length ? [Math.min(...seen), Math.max(...seen)] : [0, full];
  const spare = Math.max(full / 5 - (most - least), full / 50) / 2;
  return [least - spare, most + spare];
}

function showStrip() {
  const now = performance.now() / 1000;
  while (past.length && past[0].at < now - STRIP_S) past.shift();
  strip(one("#strip"), past, now, STRIP_S, bounds());
  const lately = range();
  const text = lately ? say("strip-text", { min_pa: lately.min, max_pa: lately.max }) : say("strip-empty");
  write(one("#strip-text"), text);
  one("#strip").setAttribute("aria-label", text);
}

/** Who put an alarm aside, since when, and why. */
function asideText({ by, why, since }) {
  return say("alarm-aside", { by, why: why ?? undefined, since: since ? dayAndClock(since) : undefined });
}

/** What to do; of an alarm that is over, only to look and say so. */
function order(tag, state, action) {
  if (state === OVER) return say("do-over");
  return action ? tell(action) : say(`do-${tag}`);
}

function alarmItem({ tag, priority, state, since, since_s, first, cause, action, shelved_for_s, set_aside }, index) {
  const item = element("li", null, { "data-priority": priority, "data-state": state });
  const when = since ? say("alarm-since", { since: clock(since) }) : since_s === null ? "" : say("alarm-for", { since_s });
  item.append(element("b", say(`alarm-${tag}`)));
  const notes = [when, say(`state-${state}`, { shelved_for_s }), first ? say("alarm-first") : ""];
  item.append(element("span", notes.filter(Boolean).join(", ")));
  if (set_aside) item.append(element("p", asideText(set_aside)));
  if (index === 0 && !ASIDE.includes(state)) {
    if (cause) item.append(element("p", tell(cause)));
    item.append(element("p", order(tag, state, action), { class: "action" }));
  }
  return item;
}

function showAlarms() {
  const minute = (seconds) => (seconds === null ? null : Math.ceil(seconds / 60) * 60);
  const alarms = view.alarms.map((alarm) => ({
    ...alarm,
    since_s: alarm.since ? null : minute(alarm.since_s),
    shelved_for_s: minute(alarm.shelved_for_s),
  }));
  // In a flood what can wait is told in one line.
  const waits = ({ state, priority, first }) => view.flood && !first && (ASIDE.includes(state) || priority === "low");
  const told = alarms.filter((alarm) => !waits(alarm));
  const rows = told.slice(0, MOST_ALARMS).map((alarm, index) => ({ alarm, index }));
  if (view.flood) rows.unshift({ text: say("alarms-flood", { count: view.flood.alarms }) });
  if (!rows.length) rows.push({ text: say("alarms-none") });
  const more = told.length - MOST_ALARMS;
  if (more > 0) rows.push({ text: say("alarms-more", { count: more }) });
  const waiting = alarms.length - told.length;
  if (waiting > 0) rows.push({ text: say("alarms-wait", { count: waiting }) });
  list(one("#alarms"), rows, ({ alarm, index, text }) =>
    alarm ? alarmItem(alarm, index) : element("li", text, { class: "none" }),
  );
}

// Which parts could be lost unseen; a long list would push the rest off the page.
const MOST_NAMED = 8;
const unseenParts = ({ unseen, parts }) => {
  if (unseen.length > MOST_NAMED && unseen.length === parts) return say("unseen-all", { count: parts });
  const [named, count] = [unseen.slice(0, MOST_NAMED).join(", "), unseen.length - MOST_NAMED];
  return count > 0 ? say("unseen-many", { parts: named, count }) : say("unseen", { parts: named });
};

function showFacts() {
  const { job, board, expected, acked, newest } = view;
  const facts = [...degradedTexts().map((text) => `${text}.`), job ? jobText() : say("job-none"), ...endTexts()];
  const looks = (job?.look_at ?? []).map((look) => ({ prompt: tell(look) }));
  if (job?.computing) facts.push(say("job-computing"));
  if (job?.unseen.length) facts.push(unseenParts(job));
  const leak = expected?.smallest_visible_leak_m3_h ?? null;
  if (leak !== null) facts.push(say("smallest-leak", { leak_m3_h: leak }));
  const skim_sheets = board.skim_in_sheets === null ? undefined : Math.round(board.skim_in_sheets);
  facts.push(say("board-line", { count: board.sheets, index_ratio: board.leak_index, skim_sheets }));
  const behind = newest - acked;
  const saving = !view.degraded.some(({ name }) => name === "not-saving");
  facts.push(saving ? say("journal-line", { count: acked }) : say("journal-behind", { count: behind }));
  const prompts = board.prompts.map((prompt) => ({ prompt: tell(prompt), jump: prompt.key.startsWith("prompt-jump") }));
  list(one("#facts"), [...looks, ...prompts, ...facts], (fact) => (fact.prompt ? promptItem(fact) : element("li", fact)));
}

/** A prompt; one that asks what happened has a key to say it. */
function promptItem({ prompt, jump }) {
  const item = element("li", prompt, { class: "prompt" });
  if (jump) {
    const key = element("button", say("key-jump"), { type: "button" });
    key.addEventListener("click", keys.askJump);
    item.append(" ", key);
  }
  return item;
}

/** Everything that the newest view says, as far as it may be believed. */
function showView(now) {
  document.body.dataset.source = view.source;
  document.body.dataset.unseen = String(view.alarms.some(({ state }) => state === "unacknowledged"));
  const waits = view.alarms.some(({ state }) => WAITING.includes(state));
  document.body.dataset.waits = String(waits && view.shadow_sheets_left === 0);
  write(one("#table"), view.table);
  write(one("#source"), say(`source-${view.source}`));
  write(one("#printed"), say("printed", { time: new Date().toLocaleString(), version: view.version }));
  showChips();
  showHold(now.fresh);
  showZones();
  showLevel(now.fresh);
  showAlarms();
  showFacts();
  keys.update(view, now);
}

function onView(newest) {
  if (newest.build !== build) return location.reload();
  view = newest;
  if (view.vacuum_pa !== null && view.verdict !== "blind") remember(view);
  const now = belief(link.state());
  showView(now);
  onTick(link.state());
}

function remember({ vacuum_pa, expected }) {
  const at = performance.now() / 1000;
  past.push({ at, min: vacuum_pa, max: vacuum_pa, low: expected?.low_pa ?? null, high: expected?.high_pa ?? null });
}

function onTick(state) {
  const now = belief(state);
  announce(now);
  showWord(now);
  showAge(state);
  const turned = view && believed && (believed.fresh !== now.fresh || believed.heard !== now.heard);
  believed = now;
  if (turned) showView(now);
  if (performance.now() - drawnAt > 1000) {
    drawnAt = performance.now();
    showStrip();
    goBackWhenLeft();
  }
}

/** Fetches the last ten minutes and lays them before what the stream has brought since. */
async function recall() {
  const { at } = await (await fetch("/api/v1/now")).json();
  if (!at) return;
  const here = performance.now() / 1000;
  const end = Date.parse(at);
  const query = new URLSearchParams({ from: new Date(end - STRIP_S * 1000).toISOString(), to: at, points: 600 });
  const answer = await fetch(`/api/v1/history?${query}`);
  if (!answer.ok) return;
  const { buckets } = await answer.json();
  const kept = past.filter((sample) => sample.at > here);
  past.length = 0;
  past.push(...buckets.map((bucket) => pastSample(bucket, here, end)), ...kept);
  drawnAt = -Infinity;
}

function pastSample(bucket, here, end) {
  const middle = (Date.parse(bucket.from) + Date.parse(bucket.to)) / 2;
  return {
    at: here - (end - middle) / 1000,
    min: bucket.min_vacuum_pa,
    max: bucket.max_vacuum_pa,
    low: bucket.expected_low_vacuum_pa,
    high: bucket.expected_high_vacuum_pa,
  };
}

/** A screen that hangs on a wall goes back to the far view when nobody has touched it for a while. */
function goBackWhenLeft() {
  const home = sessionStorage.getItem("home") === "far";
  if (home && document.body.dataset.view === "near" && performance.now() - touchedAt > BACK_TO_FAR_MS) location.hash = "far";
}

function large() {
  return innerWidth >= 900 && innerWidth > innerHeight;
}

function chooseView() {
  const asked = location.hash.slice(1);
  const shown = asked === "near" || asked === "far" ? asked : large() ? "far" : "near";
  document.body.dataset.view = large() ? shown : "near";
  if (document.body.dataset.view === "far") sessionStorage.setItem("home", "far");
}

const link = new Link(onView, onTick);

addEventListener("hashchange", chooseView);
addEventListener("resize", chooseView);
for (const kind of ["pointerdown", "keydown"]) addEventListener(kind, () => (touchedAt = performance.now()));
chooseView();
await load(build);
keys.start();
link.start();
recall().catch(() => {});
setInterval(() => document.hidden || recall().catch(() => {}), 60000);
