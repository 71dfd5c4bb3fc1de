// What the page says when the program, the network or the reading fails, and that it comes back by itself.

import http from "node:http";
import { Fixture, open, shows } from "./shop.mjs";

const BLIND_WITHIN = 2500;
const BACK_WITHIN = 20000;

/** Waits for BLIND, gives how long that took, and looks that no number is left standing. */
async function goesBlind(page, assert) {
  const from = Date.now();
  await shows(page, "blind", 10000);
  const took = Date.now() - from;
  const left = await page.evaluate(() => [document.getElementById("number").textContent, document.getElementById("far-margin").textContent, document.querySelectorAll(".pointer").length]);
  assert.deepEqual(left, ["–", "–", 0]);
  return took;
}

export const checks = [
  ["a stopped program is BLIND at once, though the stream stays open", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    fixture.signal("SIGSTOP");
    const took = await goesBlind(page, assert);
    fixture.signal("SIGCONT");
    assert.ok(took <= BLIND_WITHIN, `BLIND after ${took} ms`);
    await shows(page, "tight", BACK_WITHIN);
  }],

  ["a killed program is BLIND, and its successor is found", async ({ chrome, fixture, program, assert }) => {
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    await fixture.end();
    const took = await goesBlind(page, assert);
    assert.ok(took <= BLIND_WITHIN, `BLIND after ${took} ms`);
    assert.match(await page.textContent("#far .why"), /nobody is watching/i);
    const next = await Fixture.start(program, fixture.port);
    Object.assign(fixture, next);
    await shows(page, "tight", BACK_WITHIN);
  }],

  ["a replayed reading grows stale", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    await fixture.tell("replay", "on");
    const took = await goesBlind(page, assert);
    await fixture.tell("replay", "off");
    assert.ok(took <= BLIND_WITHIN, `BLIND after ${took} ms`);
    await shows(page, "tight");
  }],

  ["one 503 does not end the stream for ever", async ({ chrome, fixture, assert }) => {
    let refuse = 1;
    const front = http.createServer((asked, answer) => {
      if (asked.url === "/api/v1/stream" && refuse > 0) {
        refuse -= 1;
        answer.writeHead(503).end();
        return;
      }
      const headers = { ...asked.headers, host: `127.0.0.1:${fixture.port}` };
      const onward = http.request({ port: fixture.port, path: asked.url, method: asked.method, headers }, (came) => {
        answer.writeHead(came.statusCode, came.headers);
        came.pipe(answer);
      });
      answer.on("close", () => onward.destroy());
      onward.on("error", () => answer.destroy());
      asked.pipe(onward);
    });
    await new Promise((ready) => front.listen(0, "127.0.0.1", ready));
    const page = await open(chrome, `http://127.0.0.1:${front.address().port}`);
    await shows(page, "tight", BACK_WITHIN);
    assert.equal(refuse, 0);
    await page.context().close();
    front.closeAllConnections();
    front.close();
  }],

  ["what was on the glass before hiding is not shown as live after", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    const change = (hidden) => page.evaluate((hidden) => {
      Object.defineProperty(document, "hidden", { value: hidden, configurable: true });
      document.dispatchEvent(new Event("visibilitychange"));
      return document.body.dataset.verdict;
    }, hidden);
    await change(true);
    assert.equal(await change(false), "blind");
    await shows(page, "tight");
  }],
];
