// The survey of the table, step by step. What has settled and what counts is decided by the program; this page only shows it.

import { element, fillWith, follow, key, one, order, pressure, say, twice, write } from "./guided.js";
import { pressureUnit, tell } from "./words.js";

const KILOGRAM_FORCE_N = 9.80665;

/** The step that the person chose to do next; the program's own choice until then. */
let chosen = null;
let last = null;

const survey = (body) => order("survey", body);

function stepOf(held, id) {
  return held?.steps.find((step) => step.id === id) ?? null;
}

/** What a step is, in few words. */
function title(step) {
  if (step.kind !== "level") return say(`step-${step.kind}`);
  const zones = step.open.join(", ");
  if (step.hole_mm !== null && !step.open.length) return say("step-hole", { hole: step.hole_mm });
  if (!step.open.length) return say("step-alone");
  const key = step.all_open ? `step-${step.cover}-all` : `step-${step.cover}-zones`;
  const text = say(key, { zones });
  return step.hole_mm === null ? text : `${text}, ${say("step-hole", { hole: step.hole_mm })}`;
}

/** What to do for it. */
function task(step) {
  if (step.kind !== "level") return say(`task-${step.kind}`);
  if (!step.open.length) return step.hole_mm === null ? say("task-alone", { limit_s: step.limit_s }) : say("task-hole", { hole: step.hole_mm });
  const zones = step.open.join(", ");
  return say(step.all_open ? `task-${step.cover}-all` : `task-${step.cover}-zones`, { zones });
}

/** The value of a reading in its step's own unit. */
function value(step, reading) {
  if (step.kind === "drag") return say("newtons", { force: Math.round(reading.value) });
  if (step.kind === "barometer") return say("hectopascals", { count: Math.round(reading.value / 100) });
  const spread = reading.spread === null ? "" : ` ± ${pressure(reading.spread)}`;
  return pressure(reading.value) + spread;
}

function readingItem(held, step, reading) {
  const item = element("li", null, { "data-aside": reading.aside ?? "", "data-far": String(reading.alone || (reading.weight ?? 1) < 0.7) });
  item.append(element("b", value(step, reading)));
  const notes = [];
  if (reading.aside) notes.push(say(`aside-${reading.aside}`));
  if (reading.fitted_pa !== null) notes.push(say("reading-fitted", { fitted_pa: reading.fitted_pa, errors: signed(reading.errors) }));
  if (reading.alone) notes.push(say("reading-alone"));
  else if ((reading.weight ?? 1) < 0.7) notes.push(say("reading-far"));
  item.append(element("span", notes.join(" ")));
  if (held.running) {
    const act = reading.aside ? "take-back" : "throw";
    item.append(key(say(`key-${act}`), () => survey({ order: act, reading: reading.id }), { class: "small" }));
  }
  return item;
}

function signed(number) {
  const text = Math.abs(number).toFixed(1);
  return `${number < 0 ? "−" : "+"}${text}`;
}

function stepItem(held, live, step) {
  const current = currentStep(held, live);
  const item = element("li", null, { "data-state": step.state, "data-now": String(current?.id === step.id) });
  const head = element("p", null, {}, element("b", title(step)), element("span", say(`step-state-${step.state}`)));
  item.append(head);
  if (step.readings.length) {
    item.append(element("ul", null, {}, ...step.readings.map((reading) => readingItem(held, step, reading))));
  }
  if (held.running && live?.step == null) {
    const keys = element("p", null, { class: "row" });
    const label = step.state === "done" || step.state === "again" ? "key-retake" : "key-do-step";
    if (current?.id !== step.id) keys.append(key(say(label), () => choose(step.id), { class: "small" }));
    if (step.state === "open") keys.append(key(say("key-skip"), () => survey({ order: "skip", step: step.id }), { class: "small" }));
    if (step.state === "skipped") keys.append(key(say("key-unskip"), () => survey({ order: "unskip", step: step.id }), { class: "small" }));
    item.append(keys);
  }
  return item;
}

function choose(id) {
  chosen = id;
  draw(...last);
  one("#now-head").focus();
  one("#now").scrollIntoView({ block: "start" });
}

/** The step that is read, else the one chosen, else the next. */
function currentStep(held, live) {
  if (!held?.running) return null;
  if (live?.step != null) return stepOf(held, live.step);
  return stepOf(held, chosen) ?? stepOf(held, held.next);
}

function numberField(id, label, fields = {}) {
  const input = element("input", null, { id, type: "number", inputmode: "decimal", step: "any", ...fields });
  return element("label", null, {}, element("span", label), input);
}

const typed = (id) => Number(one(`#${id}`).value.replace(",", "."));

/** The fields and the key of a step whose reading is typed. */
function typedKeys(step) {
  if (step.kind === "barometer") {
    const send = () => survey({ order: "type", step: step.id, barometer_pa: typed("barometer") * 100 });
    return [numberField("barometer", say("field-barometer"), { min: 500, max: 1100 }), key(say("key-take"), done(send), { class: "main" })];
  }
  if (step.kind === "drag") {
    const area = () => (typed("sheet-x") * typed("sheet-y")) / 1e6;
    const send = () => survey({ order: "type", step: step.id, pull_n: typed("pull") * KILOGRAM_FORCE_N, area_m2: area() });
    const fields = [
      numberField("pull", say("field-pull")),
      numberField("sheet-x", say("field-sheet-x"), { value: 300 }),
      numberField("sheet-y", say("field-sheet-y"), { value: 300 }),
    ];
    return [...fields, key(say("key-take"), send, { class: "main" })];
  }
  const unit = pressureUnit();
  const send = () => survey({ order: "type", step: step.id, level_pa: typed("drop") * unit.pascals });
  return [numberField("drop", say("field-drop", { unit: unit.name }), { min: 0 }), key(say("key-take"), done(send), { class: "main" })];
}

/** An order after which the next step is shown. */
function done(send) {
  return async () => {
    if (await send()) chosen = null;
  };
}

function measuredKeys(step) {
  const counting = step.readings.some(({ aside }) => aside === null);
  const measure = (beside) => async () => {
    const hole = one("#hole");
    const hole_mm = hole && typed("hole") !== step.hole_mm ? { hole_mm: typed("hole") } : {};
    if (await survey({ order: "measure", step: step.id, beside, ...hole_mm })) chosen = null;
  };
  const made = [];
  if (step.hole_mm !== null && !counting) made.push(numberField("hole", say("field-hole"), { value: step.hole_mm, min: 0.5, max: 100 }));
  if (step.state === "again") made.push(key(say("key-read-again"), measure(true), { class: "main" }));
  else made.push(key(say(counting ? "key-retake" : "key-measure"), measure(false), { class: "main" }));
  return made;
}

function keysFor(held, live, step) {
  if (!held?.running) return [key(say("key-start-survey"), () => survey({ order: "start" }), { class: "main" })];
  if (live?.step != null) {
    const made = [];
    if (live.state === "unmoved") made.push(key(say("key-confirm"), () => survey({ order: "confirm" }), { class: "main" }));
    return [...made, key(say("key-stop"), () => survey({ order: "stop" }))];
  }
  const made = [];
  if (step) made.push(...(step.kind === "level" || step.kind === "filter-drop" ? measuredKeys(step) : typedKeys(step)));
  if (live?.shut_left_s != null) made.push(key(say("key-opened"), () => survey({ order: "opened" })));
  if (step?.state === "open") made.push(key(say("key-skip"), done(() => survey({ order: "skip", step: step.id }))));
  made.push(twice(say("key-end-survey"), say("key-sure"), () => survey({ order: "end" })));
  return made;
}

const names = (of) => of.map(tell).join(", ");

/** Three digits, with a power of ten only where there is no other way. */
function digits(number) {
  if (number === 0) return "0";
  const size = Math.abs(number);
  if (size < 1e-2 || size >= 1e5) {
    const [front, power] = number.toExponential(2).split("e");
    const raised = String(Number(power)).replace(/./g, (sign) => "⁰¹²³⁴⁵⁶⁷⁸⁹"[sign] ?? "⁻");
    return `${front}·10${raised}`;
  }
  return number.toFixed(Math.max(0, 2 - Math.floor(Math.log10(size))));
}

function quantity(number, unit) {
  return unit === "pa" ? pressure(number, true) : digits(number);
}

const unitName = (unit) => (unit === "pa" ? pressureUnit().name : say(`unit-${unit}`));

function estimateRow({ of, unit, value, low, high, assumed }) {
  const row = element("tr", null, {}, element("th", tell(of), { scope: "row" }));
  row.append(element("td", quantity(value, unit)));
  row.append(element("td", say("interval", { low: quantity(low, unit), high: quantity(high, unit) })));
  row.append(element("td", unitName(unit)), element("td", quantity(assumed, unit)));
  return row;
}

function estimates(result) {
  if (!result.estimates.length) return element("p", say("survey-no-numbers"), { class: "note" });
  const head = ["column-number", "column-value", "column-interval", "column-unit", "column-setup"];
  const table = element("table", null, {}, element("caption", say("survey-level", { level_pa: result.level_pa })));
  table.append(element("thead", null, {}, element("tr", null, {}, ...head.map((text) => element("th", say(text), { scope: "col" })))));
  table.append(element("tbody", null, {}, ...result.estimates.map(estimateRow)));
  return element("div", null, { class: "wide", tabindex: "0" }, table);
}

function correlations({ related, correlation }) {
  if (related.length < 2) return [];
  const rows = related.map((of, row) => {
    const cells = related.map((_, column) => element("td", column > row ? "" : correlation[row][column].toFixed(2), { "data-strong": String(column < row && Math.abs(correlation[row][column]) > 0.8) }));
    return element("tr", null, {}, element("th", `${row + 1} ${tell(of)}`, { scope: "row" }), ...cells);
  });
  const head = element("tr", null, {}, element("td", ""), ...related.map((_, place) => element("th", String(place + 1), { scope: "col" })));
  const table = element("table", null, {}, element("thead", null, {}, head), element("tbody", null, {}, ...rows));
  return [element("details", null, {}, element("summary", say("survey-correlation")), element("div", null, { class: "wide", tabindex: "0" }, table))];
}

function untold({ untold }) {
  const together = untold.filter((of) => of.length > 1).map((of) => element("li", say("untold-together", { names: names(of) })));
  const alone = untold.filter((of) => of.length === 1).flat();
  const items = [...together];
  if (alone.length) items.push(element("li", say("untold-alone", { names: names(alone) })));
  return items.length ? [element("h3", say("survey-untold")), element("ul", null, {}, ...items)] : [];
}

function proposals(held, result) {
  if (result.enough) return [element("p", say("survey-enough", { wanted_share: held.wanted }), { class: "good" })];
  const items = result.proposals.map(({ step, narrows, gain }) => {
    const item = element("li", `${title(stepOf(held, step))}: ${say("proposal", { narrows: tell(narrows), gain: gain.toFixed(2) })} `);
    if (held.running) item.append(key(say("key-do-step"), () => choose(step), { class: "small" }));
    return item;
  });
  return items.length ? [element("h3", say("survey-next")), element("ol", null, {}, ...items)] : [];
}

/** The lines for the setup file, section by section, with what is assumed. */
function setupLines({ setup }) {
  if (!setup.length) return [];
  const sections = [...new Set(setup.map(({ section }) => section))];
  const text = sections.map((section) => {
    const own = setup.filter((line) => line.section === section);
    const gone = own.flatMap(({ instead_of }) => instead_of);
    const note = gone.length ? [`# ${say("setup-instead", { keys: gone.join(", ") })}`] : [];
    return [`[${section}]`, ...note, ...own.map(({ line }) => line)].join("\n");
  });
  const assumed = [...new Set(setup.flatMap(({ assumes }) => assumes.map(tell)))];
  const made = [element("h3", say("survey-setup")), element("p", say("survey-setup-how"))];
  made.push(element("pre", text.join("\n\n"), { tabindex: "0", id: "lines" }));
  if (assumed.length) made.push(element("ul", null, {}, ...assumed.map((line) => element("li", line))));
  return made;
}

function sealing({ sealing }) {
  if (!sealing.length) return [];
  const items = sealing.map(({ of, level_pa, margin }) => element("li", say("sealing", { of: tell(of), level_pa, more_share: margin - 1 })));
  return [element("h3", say("survey-sealing")), element("ul", null, {}, ...items)];
}

function friction(held) {
  if (!held.friction) return [];
  const { value, low, high, pulls } = held.friction;
  const values = { value: value.toFixed(2), low: low.toFixed(2), high: high.toFixed(2), count: pulls };
  return [element("h3", say("survey-friction")), element("p", say("friction", values)), element("pre", `friction = ${value.toFixed(2)}`, { tabindex: "0" })];
}

function found(held) {
  if (!held) return [element("p", say("survey-no-readings"))];
  const { result } = held;
  const made = [];
  if (held.computing) made.push(element("p", say("survey-computing"), { class: "note" }));
  if (held.failed) made.push(element("p", say("survey-failed", { detail: held.failed }), { class: "note" }));
  if (!result) return [...made, element("p", say("survey-no-readings")), ...friction(held)];
  made.push(estimates(result));
  if (result.widened > 1.05) made.push(element("p", say("survey-widened", { widened_ratio: result.widened })));
  made.push(...untold(result), ...proposals(held, result), ...correlations(result));
  return [...made, ...setupLines(result), ...sealing(result), ...friction(held)];
}

function heading(held, live, step) {
  if (!held?.running) return held ? say("survey-ended") : say("survey-intro-head");
  return step ? title(step) : say("survey-all-done");
}

function instruction(held, step) {
  if (!held?.running) return say("survey-intro");
  if (!step) return say("survey-all-done-do");
  const again = step.state === "again" ? `${say("task-again")} ` : "";
  return again + task(step);
}

function draw(held, view) {
  last = [held, view];
  const live = view?.guide?.guide === "survey" ? view.guide : null;
  const step = currentStep(held, live);
  write("#now-head", heading(held, live, step));
  write("#do", instruction(held, step));
  one("#live").hidden = !held?.running;
  const reading = [live?.step ?? null, live?.state === "unmoved", live?.shut_left_s != null];
  fillWith("#keys", [held?.running, step, reading], () => keysFor(held, live, step));
  fillWith("#found", [held?.result, held?.computing, held?.failed, held?.friction, held?.running], () => found(held));
  fillWith("#steps", [held?.steps, held?.running, live?.step, step?.id], () => (held?.steps ?? []).map((each) => stepItem(held, live, each)));
}

await follow("survey", draw);
