// The six o'clock check, step by step. What has settled, and what is as before, is decided by the program.

import { element, fillWith, follow, key, one, order, pressure, say, write } from "./guided.js";

const check = (body) => order("check", body);

/** The steps in their order, each with whether it is done. */
function steps(held) {
  const of = (name) => held.items.find(({ item }) => item === name);
  return [
    { name: "chips", fine: of("chips").fine },
    { name: "filter-lid", fine: of("filter-lid").fine },
    { name: "reference", fine: held.measured ? fineLevel(held.measured) : null },
    { name: "lamps", fine: of("lamps").fine },
  ];
}

const fineLevel = ({ compared, level_pa }) => (compared === "same" || compared === "first") && level_pa >= 0;

function referenceText({ kind, hole_mm, zone }) {
  return say(`reference-${kind}`, { hole: hole_mm ?? undefined, zone: zone ?? undefined });
}

function measuredText({ reference, level_pa, usual_pa, limit_pa, compared }) {
  const turned = level_pa < 0 ? "backwards" : compared;
  return `${referenceText(reference)}: ${say(`compared-${turned}`, { level_pa, usual_pa: usual_pa ?? undefined, limit_pa: limit_pa ?? undefined })}`;
}

function stepItem(held, step, current) {
  const state = step.fine === null ? "open" : step.fine ? "done" : "again";
  const item = element("li", null, { "data-state": state, "data-now": String(step.name === current) });
  const word = step.fine === null ? "check-open" : step.fine ? "check-fine" : "check-not-fine";
  item.append(element("p", null, {}, element("b", say(`check-${step.name}`)), element("span", say(word))));
  if (step.name === "reference" && held.measured) item.append(element("p", measuredText(held.measured)));
  return item;
}

function referenceKeys(held) {
  const [first, ...others] = held.references;
  const measure = ({ hole_mm, zone }) => () => check({ order: "measure", ...(hole_mm === null ? {} : { hole_mm }), ...(zone === null ? {} : { zone }) });
  const made = [key(say("key-measure-reference", { reference: referenceText(first) }), measure(first), { class: "main" })];
  const rest = others.map((reference) => key(referenceText(reference), measure(reference), { class: "small" }));
  return [...made, element("details", null, {}, element("summary", say("check-other-reference")), ...rest)];
}

function markKeys(name) {
  const mark = (fine) => () => check({ order: "mark", item: name, fine });
  const made = [key(say(`key-${name}-fine`), mark(true), { class: "main" }), key(say(`key-${name}-not-fine`), mark(false))];
  if (name === "lamps") made.unshift(key(say("key-light"), () => order("light/test", {})));
  return made;
}

function keysFor(held, live, current) {
  if (!held?.running) return [key(say("key-start-check"), () => check({ order: "start" }), { class: "main" })];
  if (live && live.state !== "idle") return [key(say("key-stop"), () => check({ order: "stop" }))];
  const made = current === "reference" ? referenceKeys(held) : current ? markKeys(current) : [];
  made.push(key(say("key-finish-check"), () => check({ order: "finish" }), current ? {} : { class: "main" }));
  return made;
}

function pastItem({ at, fine, whole, level_pa }) {
  const day = at ? new Date(at).toLocaleString(document.documentElement.lang, { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hour12: false }) : say("none");
  const word = say(!fine ? "check-not-fine" : whole ? "check-fine" : "check-part");
  return element("li", `${day}: ${word}${level_pa === null ? "" : `, ${pressure(level_pa)}`}`);
}

function draw(held, view) {
  const live = view?.guide?.guide === "check" ? view.guide : null;
  const list = held ? steps(held) : [];
  const current = held?.running ? (list.find(({ fine }) => fine === null)?.name ?? null) : null;
  const begun = Boolean(held?.began);
  const result = begun && !held.running;
  write("#now-head", current ? say(`check-${current}`) : held?.running ? say("check-all-done") : result ? say("check-result-head") : say("check-intro-head"));
  const sum = () => say(list.some(({ fine }) => fine === false) ? "check-sum-not-fine" : list.some(({ fine }) => fine === null) ? "check-sum-part" : "check-sum-fine", { took_s: held.took_s ?? undefined });
  write("#do", current ? say(`task-check-${current}`) : held?.running ? say("task-check-finish") : result ? sum() : say("check-intro"));
  one("#live").hidden = !held?.running || (current !== "reference" && (live?.state ?? "idle") === "idle");
  fillWith("#keys", [held?.running, current, live?.state === "idle" || !live, held?.references], () => keysFor(held, live, current));
  fillWith("#steps", [list, held?.measured, current], () => (begun ? list.map((step) => stepItem(held, step, current)) : []));
  fillWith("#before", held?.before ?? [], () => (held?.before.length ? held.before.map(pastItem) : [element("li", say("check-none-before"))]));
}

await follow("check", draw);
