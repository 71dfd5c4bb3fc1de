// What the pages of guided runs share: the live level, the state of a reading, orders, lists.

import { Link } from "./link.js";
import { load, pressure, say, span } from "./words.js";

export const build = document.querySelector("meta[name=build]").content;
export const one = (selector) => document.querySelector(selector);

/** An element with text, attributes and children. */
export function element(name, text, fields = {}, ...children) {
  const made = document.createElement(name);
  if (text !== null) made.textContent = text;
  for (const [key, value] of Object.entries(fields)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

/** Writes text only where it changed, so that nothing is announced for nothing. */
export function write(selector, text) {
  const node = typeof selector === "string" ? one(selector) : selector;
  if (node.textContent !== text) node.textContent = text;
}

/** Puts children in only where what they say has changed. */
export function fillWith(selector, key, make) {
  const node = one(selector);
  const text = JSON.stringify(key);
  if (node.dataset.shown === text) return;
  node.dataset.shown = text;
  node.replaceChildren(...make());
}

/** A key that does something. */
export function key(label, act, fields = {}) {
  const made = element("button", label, { type: "button", ...fields });
  made.addEventListener("click", act);
  return made;
}

async function reason(answer) {
  const problem = await answer.json().catch(() => ({}));
  if (problem.key) return say(answer.status === 409 ? `refused-${problem.key}` : problem.key);
  return problem.detail ?? String(answer.status);
}

/** Sends an order; whether it was taken. What was not is said in words. */
export async function order(path, body) {
  try {
    const answer = await fetch(`/api/v1/${path}`, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(8000),
    });
    write("#said", answer.ok ? "" : say("failed", { detail: await reason(answer) }));
    return answer.ok;
  } catch {
    write("#said", say("failed", { detail: say("no-answer") }));
    return false;
  }
}

/** Whether a person means it: nothing is thrown away by one slip. */
export function twice(label, sure, act, fields = {}) {
  const made = key(label, () => {
    if (made.dataset.sure) return act();
    made.dataset.sure = "1";
    made.textContent = sure;
    setTimeout(() => {
      delete made.dataset.sure;
      made.textContent = label;
    }, 4000);
  }, fields);
  return made;
}

/**
 * Follows one guided run: its name, where it is fetched from, and what draws it. `draw(held, view)` is called whenever what the run
 * holds or the step that is read has changed; the live level is drawn here.
 */
export async function follow(guide, draw) {
  let held = null;
  let drawn = "";
  let fetching = false;
  let view = null;
  await load(build);

  const mine = () => (view?.guide?.guide === guide ? view.guide : null);

  async function fetchHeld() {
    if (fetching) return;
    fetching = true;
    try {
      held = (await (await fetch(`/api/v1/${guide}`, { signal: AbortSignal.timeout(8000) })).json())[guide];
    } finally {
      fetching = false;
    }
    redraw();
  }

  function redraw() {
    const live = mine();
    const key = JSON.stringify([held?.revision, held?.running, live?.step, live?.state, live?.quiet, view?.guide?.guide]);
    if (key === drawn) return;
    drawn = key;
    draw(held, view);
  }

  function showLive(state) {
    const live = mine();
    const fresh = state.fresh && view?.vacuum_pa !== null && view?.verdict !== "blind";
    const word = fresh || view?.verdict === "blind" ? view?.verdict : "blind";
    document.body.dataset.verdict = word ?? "blind";
    document.body.dataset.source = view?.source ?? "gauge";
    write("#word", say(`word-${word ?? "blind"}`));
    write("#source", view ? say(`source-${view.source}`) : "");
    write("#table", view?.table ?? "");
    write("#level", fresh ? pressure(view.vacuum_pa) : say("none"));
    const shown = !state.heard ? "blind" : (live?.state ?? "idle");
    const values = { level_pa: live?.level_pa ?? undefined, wander_pa: Math.abs(live?.wander_pa ?? 0) };
    write("#state", say(`reading-${shown}`, values));
    one("#live").dataset.state = shown;
    one("#share").value = live?.share ?? 0;
    const left = live?.shut_left_s ?? null;
    write("#shut", left === null ? "" : left > 0 ? say("shut-left", { left_s: Math.ceil(left) }) : say("shut-over", { over_s: Math.floor(-left) }));
    one("#shut").dataset.over = String(left !== null && left <= 0);
    const other = view?.guide && view.guide.guide !== guide;
    const quiet = other ? `other-run-${view.guide.guide}` : !live ? "" : live.quiet ? `quiet-${guide}` : "quiet-not";
    write("#quiet", quiet && say(quiet));
  }

  const link = new Link(
    (newest) => {
      if (newest.build !== build) return location.reload();
      view = newest;
      showLive(link.state());
      const live = mine();
      if (!held || (live ? live.revision !== held.revision || !held.running : held.running)) fetchHeld().catch(() => {});
      else redraw();
    },
    (state) => showLive(state),
  );
  await fetchHeld().catch(() => {});
  link.start();
}

export { pressure, say, span };
