// Pairing: at the computer that watches a code is shown, on any other device it is typed.

import { build, element, key, one, order, say, twice, write } from "./guided.js";
import { load } from "./words.js";

async function standing() {
  const answer = await fetch("/api/v1/pair", { signal: AbortSignal.timeout(8000) });
  return answer.json();
}

async function showCode() {
  const answer = await fetch("/api/v1/pair/code", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: "{}",
    signal: AbortSignal.timeout(8000),
  });
  if (!answer.ok) return write("#said", say("failed", { detail: String(answer.status) }));
  const { code, valid_s } = await answer.json();
  write("#level", `${code.slice(0, 4)} ${code.slice(4)}`);
  write("#said", "");
  return write("#do", say("pair-valid", { valid_s }));
}

function atTheComputer(held) {
  write("#do", say(held.required ? "pair-here" : "pair-idle", { count: held.paired }));
  const keys = [key(say("pair-key-code"), showCode, { class: "main" })];
  if (held.paired) {
    const forget = async () => (await order("pair/forget", {})) && draw();
    keys.push(twice(say("pair-key-forget"), say("pair-key-forget-sure"), forget));
  }
  one("#keys").replaceChildren(...keys);
}

function onADevice(held) {
  if (held.may_change) {
    write("#do", say("pair-done"));
    one("#fields").replaceChildren();
    one("#keys").replaceChildren();
    return;
  }
  write("#do", say("pair-there"));
  const input = element("input", null, { id: "code", inputmode: "numeric", autocomplete: "one-time-code", maxlength: 12 });
  const send = async () => (await order("pair", { code: input.value })) && draw();
  one("#fields").replaceChildren(element("label", null, { for: "code" }, element("span", say("pair-code")), input));
  one("#fields").onsubmit = (event) => {
    event.preventDefault();
    send();
  };
  one("#keys").replaceChildren(key(say("pair-key-pair"), send, { class: "main" }));
  input.focus();
}

async function draw() {
  const held = await standing();
  one("#live").hidden = !held.at_the_computer;
  if (held.at_the_computer) atTheComputer(held);
  else onADevice(held);
}

await load(build);
draw();
