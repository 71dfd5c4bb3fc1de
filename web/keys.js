// What the keys do. A key that changes more than "seen" wants a second press, on a key that lies elsewhere.

import { DEEDS, told } from "./board.js";
import { dayAndClock, say } from "./words.js";

const UNSEEN = ["unacknowledged", "returned-unacknowledged"];
const QUIET_MINUTES = 10;
// Hands leave more than this between two keys; a shorter word than this is no name.
const SCANNED_WITHIN_MS = 50;
const SHORTEST_SCAN = 3;

const panel = document.getElementById("panel");
const head = document.getElementById("panel-head");
const choices = document.getElementById("panel-keys");
const outcome = document.getElementById("outcome");
const said = document.getElementById("said");
const keys = Object.fromEntries([...document.querySelectorAll("#keys button")].map((key) => [key.dataset.key, key]));

let view = null;
let opener = null;

/** Takes a new view: whether its reading is `fresh`, and whether the program is `heard` at all. */
export function update(newest, { fresh, heard }) {
  view = newest;
  const next = nextToSee();
  enable(keys.seen, Boolean(next) && heard);
  enable(keys.quiet, Boolean(firstActive()) && heard);
  showOutcome(heard);
  enable(keys.good, fresh && view.vacuum_pa !== null);
  const what = next ? say(`alarm-${next.tag}`) : say("key-seen-none");
  const label = document.getElementById("seen-what");
  if (label.textContent !== what) label.textContent = what;
}

/** After each sheet one tap: it stays until somebody has tapped, or the next sheet has ended. */
function showOutcome(heard) {
  const sheet = heard ? (view.ask_outcome ?? null) : null;
  outcome.hidden = sheet === null;
  if (sheet === null) return;
  const text = say("ask-outcome", { count: sheet });
  const label = document.getElementById("outcome-of");
  if (label.textContent !== text) label.textContent = text;
}

function enable(key, on) {
  if (key.disabled === on) key.disabled = !on;
}

/** The alarm that *Seen it* is about: the most pressing one not seen, else one that waits for its reset. */
function nextToSee() {
  const alarms = view?.alarms ?? [];
  return alarms.find(({ state }) => UNSEEN.includes(state)) ?? alarms.find(({ state }) => state === "latched-acknowledged");
}

function firstActive() {
  return view?.alarms.find(({ state }) => state === "unacknowledged" || state === "acknowledged");
}

async function send(path, body = {}) {
  try {
    const answer = await fetch(`/api/v1/${path}`, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(8000),
    });
    tellReader(answer.ok ? say("done") : say("failed", { detail: await reason(answer) }));
  } catch {
    tellReader(say("failed", { detail: say("no-answer") }));
  }
}

async function reason(answer) {
  const problem = await answer.json().catch(() => ({}));
  if (problem.limit_minutes) return say("refused-shelved-too-long", { most: problem.limit_minutes });
  if (problem.key) return say(answer.status === 409 ? `refused-${problem.key}` : problem.key);
  return problem.detail ?? String(answer.status);
}

function tellReader(text) {
  said.textContent = text;
  setTimeout(() => said.textContent === text && (said.textContent = ""), 6000);
}

/** One key of the panel. */
function choice(label, act, { chosen } = {}) {
  const key = document.createElement("button");
  key.type = "button";
  key.textContent = label;
  if (chosen !== undefined) key.setAttribute("aria-pressed", String(chosen));
  key.addEventListener("click", () => act(key));
  return key;
}

/** While the panel is open nothing under it can be pressed; the word above it stays in sight. */
function cover(on) {
  for (const part of document.querySelectorAll(".left, .right, #keys")) part.inert = on;
}

function open(key, title, ...made) {
  opener = key;
  cover(true);
  head.textContent = title;
  choices.replaceChildren(...made);
  panel.hidden = false;
  key.setAttribute("aria-expanded", "true");
  head.focus();
}

function close() {
  if (panel.hidden) return;
  panel.hidden = true;
  cover(false);
  opener?.setAttribute("aria-expanded", "false");
  opener?.focus();
}

function once(path, body) {
  return () => {
    close();
    send(path, body);
  };
}

function askQuiet() {
  const alarm = firstActive();
  if (!alarm) return;
  const yes = choice(say("key-yes-quiet"), once(`alarms/${alarm.tag}/shelve`, { minutes: QUIET_MINUTES }));
  open(keys.quiet, say("panel-quiet", { alarm: say(`alarm-${alarm.tag}`) }), yes);
}

function askGood() {
  if (view.vacuum_pa === null) return open(keys.good, say("panel-good-blind"));
  const title = say("panel-good", { vacuum_pa: view.vacuum_pa });
  open(keys.good, title, choice(say("key-yes-good"), once("teach")));
}

function askSheet() {
  const outcomes = ["good", "moved", "lost", "chatter"];
  const made = outcomes.map((outcome) => choice(say(`outcome-${outcome}`), once("sheets/last", { outcome })));
  made.push(choice(say("key-skimmed"), once("board/skimmed")), choice(say("key-sealed"), once("board/sealed")));
  made.push(choice(say("key-board"), askBoard), choice(say("key-alarms"), askAlarms));
  open(keys.sheet, say("panel-sheet"), ...made, choice(say("key-light"), once("light/test")), goTo("check"), goTo("survey"), goTo("pair"));
}

/** What is told of the board, and keys for what was done. */
async function askBoard() {
  const answer = await fetch("/api/v1/board", { signal: AbortSignal.timeout(8000) }).catch(() => null);
  if (!answer?.ok) return tellReader(say("failed", { detail: say("no-answer") }));
  const asked = document.createElement("p");
  asked.textContent = say("panel-deeds");
  const deeds = DEEDS.map((did) => choice(say(`deed-${did}`), once("board/did", { did })));
  open(keys.sheet, say("panel-board"), ...told(await answer.json()), asked, ...deeds);
}

const paragraph = (text) => {
  const made = document.createElement("p");
  made.textContent = text;
  return made;
};

/** How much the alarms asked in this shift and the last, and what is out of service. */
async function askAlarms() {
  const answer = await fetch("/api/v1/alarms/load?shifts=2", { signal: AbortSignal.timeout(8000) }).catch(() => null);
  const shifts = answer?.ok ? (await answer.json()).shifts : [];
  const told = shifts.length ? shifts.map((shift) => paragraph(shiftText(shift))) : [paragraph(say("no-history"))];
  const out = view.alarms.filter(({ state }) => state === "out-of-service");
  const back = out.map(({ tag }) =>
    choice(say("key-return", { alarm: say(`alarm-${tag}`) }), once(`alarms/${tag}/return`, {})),
  );
  open(keys.sheet, say("panel-alarms"), ...told, ...back, choice(say("key-remove"), askRemove));
}

function shiftText(shift) {
  const names = (tags) => (tags.length ? tags.map((tag) => say(`alarm-${tag}`)).join(", ") : undefined);
  const worst = shift.most_frequent.slice(0, 3).map(({ tag, count }) => `${say(`alarm-${tag}`)} ${count}`);
  return say("alarm-load", {
    from: dayAndClock(shift.from),
    to: dayAndClock(shift.to),
    count: shift.alarms,
    most: shift.most_in_ten_minutes,
    floods: shift.floods || undefined,
    flood_share: shift.flood_share,
    worst: worst.join(", ") || undefined,
    chattering: names(shift.chattering),
    stale: names(shift.stale),
    fleeting: shift.fleeting || undefined,
    shelved: shift.shelved || undefined,
    removed: shift.out_of_service || undefined,
  });
}

const TAGS = ["pump-lost", "sudden-loss", "margin-low", "level-low", "level-high", "no-reading", "not-saving"];

function askRemove() {
  open(keys.sheet, say("panel-remove"), ...TAGS.map((tag) => choice(say(`alarm-${tag}`), () => askWhy(tag))));
}

/** An alarm goes out of service only if somebody answers for it, and says why. */
function askWhy(tag) {
  const field = (name) => {
    const label = document.createElement("label");
    const input = document.createElement("input");
    input.type = "text";
    input.name = name;
    input.maxLength = name === "by" ? 64 : 200;
    input.autocomplete = "off";
    label.append(say(`field-${name}`), input);
    return label;
  };
  const fields = [field("by"), field("why")];
  const value = (at) => fields[at].querySelector("input").value.trim();
  const yes = choice(say("key-yes-remove"), () => once(`alarms/${tag}/remove`, { by: value(0), why: value(1) })());
  const check = () => (yes.disabled = !(value(0) && value(1)));
  for (const made of fields) made.addEventListener("input", check);
  check();
  yes.className = "yes";
  open(keys.sheet, say("panel-why", { alarm: say(`alarm-${tag}`) }), ...fields, yes);
}

/** What a jump of the leak may have come of. */
export function askJump() {
  const jump = view?.board.jump;
  if (!jump) return;
  const deeds = [...jump.causes, null].map((was) => choice(say(`deed-${was ?? "nothing"}`), once("board/jump", { was })));
  open(keys.sheet, say("panel-jump", { sheets: jump.sheets_ago }), ...deeds);
}
/** A key that leads to the page of a guided run. */
const goTo = (page) => choice(say(`go-${page}`), () => location.assign(`/${page}`));

/** Keys of which one is chosen; `then` is told which. */
function tiles(labelled, then) {
  const keys = labelled.map(([label, value]) =>
    choice(label, (key) => {
      for (const other of keys) other.setAttribute("aria-pressed", String(other === key));
      then(value);
    }, { chosen: false }),
  );
  return keys;
}

function askJob() {
  const chosen = { order: null, material: null };
  const yes = choice(say("key-yes-job"), () => once("job", chosen.order.program ? { ...chosen.order, ...chosen.material } : chosen.order)());
  yes.disabled = true;
  yes.className = "yes";
  const orders = (view?.cards ?? []).map((card) => [card, { card }]);
  for (const program of view?.programs ?? []) orders.push([program, { program }]);
  const loaded = (view?.ends ?? []).filter(({ card }) => card !== null);
  for (const { id } of loaded) orders.push([say("key-no-job-at", { end: id }), { card: null, end: id }]);
  orders.push([say("key-no-job"), { card: null }]);
  const asked = document.createElement("p");
  asked.textContent = say("panel-material");
  const materials = [[say("key-as-last"), null], ...(view?.materials ?? []).map((material) => [material, { material }])];
  const stuff = [asked, ...tiles(materials, (material) => (chosen.material = material))];
  for (const part of stuff) part.hidden = true;
  const jobs = tiles(orders, (order) => {
    chosen.order = order;
    yes.disabled = false;
    for (const part of stuff) part.hidden = !order.program;
  });
  const some = orders.length > loaded.length + 1;
  open(keys.job, say(some ? "panel-job" : "panel-no-cards"), ...jobs, ...stuff, yes);
}

/**
 * A scanner types like a keyboard, only faster than any hand, and ends with Enter: what it types is the name of a card, of its file or of
 * a cut program.
 */
function listenToScanner() {
  let typed = "";
  let last = -Infinity;
  addEventListener("keydown", (event) => {
    const quick = event.timeStamp - last < SCANNED_WITHIN_MS;
    last = event.timeStamp;
    if (event.key === "Enter" && quick && typed.length >= SHORTEST_SCAN) {
      event.preventDefault();
      close();
      send("job", { card: typed, by: "scanner" });
      typed = "";
    } else if (event.key.length === 1 && !event.ctrlKey && !event.altKey && !event.metaKey) {
      typed = quick ? typed + event.key : event.key;
    } else if (event.key !== "Shift") {
      typed = "";
    }
  }, { capture: true });
}

/** Wires the keys. */
export function start() {
  keys.seen.addEventListener("click", () => {
    const alarm = nextToSee();
    if (alarm) send(`alarms/${alarm.tag}/${alarm.state === "latched-acknowledged" ? "reset" : "acknowledge"}`);
  });
  for (const key of outcome.querySelectorAll("button")) {
    key.addEventListener("click", () => send("sheets/last", { outcome: key.dataset.outcome }));
  }
  keys.quiet.addEventListener("click", askQuiet);
  keys.good.addEventListener("click", askGood);
  keys.sheet.addEventListener("click", askSheet);
  keys.job.addEventListener("click", askJob);
  listenToScanner();
  document.getElementById("panel-close").addEventListener("click", close);
  addEventListener("keydown", (event) => event.key === "Escape" && close());
}
