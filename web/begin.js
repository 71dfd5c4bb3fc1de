// A new owner's first minutes: the port, the search, the pump off, on and off, the facts, the setup. What is found and what counts is
// decided by the program; this page only shows it and keeps what was typed.

import { build, element, fillWith, key, one, order, say, write } from "./guided.js";
import { load, pressure } from "./words.js";

const POLL_MS = 500;
/** Assumptions that are told, the weightiest first; the setup has them all. */
const MOST_TOLD = 6;

/** What was typed, by section and key. */
const typed = {};
let shown = null;
let step = "";

function answers() {
  const told = {};
  for (const [section, keys] of Object.entries(typed)) {
    for (const [name, { value, text }] of Object.entries(keys)) {
      if (value.trim() === "") continue;
      told[section] ??= {};
      told[section][name] = text ? value.trim() : Number(value.replace(",", "."));
    }
  }
  return told;
}

/** A field for a question; it keeps what was typed before. */
function field(question) {
  const { section, key: name, asks, hint, words, text } = question;
  const kept = () => typed[section]?.[name]?.value ?? "";
  const keep = (value) => {
    typed[section] ??= {};
    typed[section][name] = { value, text };
  };
  const id = `${section}-${name}`;
  let input;
  if (words.length) {
    const options = ["", ...words].map((word) => element("option", word || say("begin-unknown"), { value: word }));
    input = element("select", null, { id }, ...options);
  } else {
    input = element("input", null, { id, type: "text", inputmode: text ? "text" : "decimal", autocomplete: "off" });
  }
  input.value = kept();
  input.addEventListener("input", () => keep(input.value));
  return element("label", null, { for: id }, element("span", asks), input, element("small", hint));
}

function portField() {
  const question = { section: "port", key: "port", asks: say("begin-which-port"), hint: say("begin-port-hint"), words: [], text: true };
  if (shown.adapters.length === 1) typed.port ??= { port: { value: shown.adapters[0], text: true } };
  const label = field(question);
  const list = element("datalist", null, { id: "adapters" }, ...shown.adapters.map((path) => element("option", null, { value: path })));
  label.querySelector("input").setAttribute("list", "adapters");
  return [label, list];
}

async function send(body) {
  const told = answers();
  const port = told.port?.port ?? "";
  delete told.port;
  if (await order("begin", { ...body, ...(body.order === "search" ? { port } : {}), answers: told })) await refresh();
}

/** Which step a person is at: what to read, what to type, what to press. */
function currentStep() {
  const search = key(say("begin-key-search"), () => send({ order: "search" }), { class: "main" });
  const watch = (on) => key(say(on ? "begin-key-on" : "begin-key-off"), () => send({ order: "watch", on }), { class: "main" });
  switch (shown.stage) {
    case "port":
      return { name: "port", fields: portField, keys: () => [search] };
    case "searching":
      return { name: "searching", fields: () => [], keys: () => [] };
    case "nobody":
      return { name: "nobody", fields: portField, keys: () => [search] };
    case "watching":
      return { name: "watching", fields: () => [], keys: () => [] };
    case "written":
      return { name: "written", fields: () => [], keys: () => [] };
    default: {
      const count = shown.watched.length;
      if (count === 0) return { name: "suction", fields: () => shown.questions.suction.map(field), keys: () => [watch(false)] };
      if (count === 1) return { name: "on", fields: () => [], keys: () => [watch(true)] };
      if (count === 2) return { name: "off", fields: () => [], keys: () => [watch(false)] };
      const write = key(say("begin-key-write"), () => send({ order: "write" }), { class: "main" });
      const again = key(say("begin-key-again"), () => send({ order: "watch", on: true }));
      return { name: "table", fields: () => shown.questions.table.map(field), keys: () => [write, again] };
    }
  }
}

function stateText() {
  if (shown.stage === "searching") return say("begin-trying", { count: shown.tries, form: shown.form ?? "" });
  if (shown.stage === "watching") return say("begin-watching");
  if (shown.stage === "nobody" && shown.noise) return say("begin-noise");
  return "";
}

function foundItems() {
  const items = [];
  if (shown.stage !== "searching" && shown.units.length) items.push(say("begin-units", { units: shown.units.join(", "), form: shown.form }));
  if (shown.stage !== "searching" && shown.line) items.push(say("begin-talker", { line: shown.line, form: shown.form }));
  const best = shown.best;
  if (best) {
    const values = { name: best.name, worth: best.worth, counts: best.counts };
    items.push(say(best.moved ? "begin-best-moved" : "begin-best-stood", values));
    items.push(say("begin-levels", { rest: pressure(best.rest_kpa * 1000), top: pressure(best.top_kpa * 1000) }));
  }
  for (const doubt of shown.not_proven) items.push(say("begin-not-proven", { doubt }));
  for (const mark of shown.assumptions.slice(0, MOST_TOLD)) items.push(assumption(mark));
  if (shown.assumptions.length > MOST_TOLD) items.push(say("begin-more", { count: shown.assumptions.length - MOST_TOLD }));
  return items;
}

function assumption(mark) {
  const { key: name, value, plausible, bearing } = mark;
  if (!bearing) return say("begin-assumed", { name, value, plausible });
  const [low, , high] = bearing.level_kpa.map((kpa) => pressure(kpa * 1000));
  const [least, , most] = bearing.margin.map((margin) => margin.toFixed(1));
  return say("begin-assumed-bears", { name, value, plausible, low, high, less: least, more: most });
}

function draw() {
  const now = currentStep();
  write("#now-head", say(`begin-${now.name}-head`));
  write("#do", say(`begin-${now.name}`, { out: shown.out }));
  write("#state", stateText());
  if (step !== now.name) {
    step = now.name;
    one("#fields").replaceChildren(...now.fields());
    one("#keys").replaceChildren(...now.keys());
    one("#now-head").focus();
  }
  if (shown.wrong) write("#said", say("failed", { detail: shown.wrong }));
  const items = foundItems();
  one("#result").hidden = items.length === 0;
  fillWith("#found", items, () => items.map((text) => element("li", text)));
}

async function refresh() {
  const answer = await fetch("/api/v1/begin", { signal: AbortSignal.timeout(8000) });
  shown = await answer.json();
  draw();
}

async function follow() {
  try {
    await refresh();
    if (step === "written") return;
  } catch {
    write("#said", say("failed", { detail: say("no-answer") }));
  }
  setTimeout(follow, POLL_MS);
}

one("#fields").addEventListener("submit", (event) => event.preventDefault());
await load(build);
follow();
