// What can be done and heard: keys, keyboard, announcements, hostile names, eight tabs.

import { SIZES, open, shows } from "./shop.mjs";

/** Counts the changes of the live regions from now on. */
async function listen(page) {
  await page.evaluate(() => {
    window.heard = [];
    for (const id of ["bell", "news"]) {
      const watch = () => {
        const text = document.getElementById(id).textContent;
        if (text) window.heard.push(`${id}: ${text}`);
      };
      new MutationObserver(watch).observe(document.getElementById(id), { childList: true, characterData: true, subtree: true });
    }
  });
}

export const checks = [
  ["danger is announced once, and so is its end", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    await listen(page);
    await fixture.tell("scene", "loose");
    await shows(page, "loose");
    await page.waitForTimeout(3000);
    const onset = await page.evaluate(() => window.heard);
    assert.equal(onset.length, 1);
    assert.match(onset[0], /^bell: LOOSE\. .*Hold the feed, raise the cutter, stop the spindle/);
    await fixture.tell("scene", "tight");
    await shows(page, "tight");
    await page.waitForTimeout(1500);
    const all = await page.evaluate(() => window.heard);
    assert.deepEqual(all.map((text) => text.slice(0, 11)), ["bell: LOOSE", "news: TIGHT"]);
  }],

  ["in shadow nothing rings", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "shadow");
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    assert.equal(await page.textContent("#bell"), "");
    assert.match(await page.textContent("#chips"), /7 sheets left/);
  }],

  ["an alarm that is over and not seen keeps the page from green, as the light, and orders nothing any more", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    const colour = (slab) => page.evaluate((selector) => getComputedStyle(document.querySelector(selector)).backgroundColor, slab);
    assert.equal(await colour("#far .slab"), "rgb(23, 86, 58)");
    await fixture.tell("scene", "over");
    await page.waitForFunction(() => document.querySelector("#chips").textContent.includes("An alarm is over, not seen"));
    await shows(page, "tight");
    assert.equal(await colour("#far .slab"), "rgb(242, 194, 0)");
    await page.goto(`${fixture.page}/#near`);
    await page.waitForFunction(() => document.body.dataset.view === "near");
    assert.equal(await colour("#near .slab"), "rgb(242, 194, 0)");
    const action = await page.textContent("#alarms .action");
    assert.match(action, /^It is over\. With the spindle stopped/);
    await fixture.tell("scene", "blind");
    await shows(page, "blind");
    await page.waitForFunction(() => document.querySelector("#alarms .action").textContent.startsWith("Watch the dial"));
  }],

  ["seen, quiet, good, sheet and job go to the program, each once, after a second key", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "weak");
    const page = await open(chrome, `${fixture.page}/#near`);
    await shows(page, "weak");
    const press = (selector) => page.click(selector);
    await press("[data-key=seen]");
    for (const key of ["quiet", "good"]) {
      await press(`[data-key=${key}]`);
      await press("#panel-keys button");
    }
    await press("[data-key=sheet]");
    await page.getByRole("button", { name: "Chatter" }).click();
    await press("[data-key=job]");
    const yes = page.getByRole("button", { name: "Yes, this lies there" });
    assert.ok(await yes.isDisabled());
    await page.getByRole("button", { name: "drawer-fronts" }).click();
    await yes.click();
    await page.waitForFunction(() => document.getElementById("said").textContent === "Done.");
    const commanded = await fixture.ask("commanded");
    const nanos = 600_000_000_000;
    const wanted = ["Acknowledge(LevelLow)", `Shelve(LevelLow, Span(${nanos}))`, "Teach", "SheetOutcome(Chatter, None)", 'LoadNamed("drawer-fronts")'];
    assert.equal(commanded, `[${wanted.map((command) => `(Actor("page"), ${command})`).join(", ")}]`);
  }],

  ["what a scanner types is the job, what a hand types is not", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "tight");
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    const type = (text, apart) => page.evaluate(async ([letters, pause]) => {
      for (const key of [...letters, "Enter"]) {
        dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
        if (pause) await new Promise((resolve) => setTimeout(resolve, pause));
      }
    }, [text, apart]);
    await type("by hand", 120);
    await type("x", 0);
    await type("Sides 18.nc", 0);
    await page.waitForFunction(() => document.getElementById("said").textContent === "Done.");
    assert.equal(await fixture.ask("commanded"), '[(Actor("scanner"), LoadNamed("Sides 18.nc"))]');
  }],

  ["a refusal is said in words", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "weak");
    await fixture.tell("answer", "still-active");
    const page = await open(chrome, `${fixture.page}/#near`);
    await shows(page, "weak");
    await page.click("[data-key=seen]");
    await page.waitForFunction(() => document.getElementById("said").textContent.includes("its cause is still there"));
    assert.ok(true);
  }],

  ["everything is reached by keyboard in reading order with a ring in sight", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "weak");
    const page = await open(chrome, `${fixture.page}/#near`);
    await shows(page, "weak");
    const order = [];
    for (let k = 0; k < 8; k += 1) {
      await page.keyboard.press("Tab");
      order.push(await page.evaluate(() => {
        const node = document.activeElement;
        const ring = parseFloat(getComputedStyle(node).outlineWidth);
        return `${node.dataset.key ?? node.className} ${ring}`;
      }));
    }
    assert.deepEqual(order, ["slab 4", "alarms 4", "facts 4", "seen 4", "quiet 4", "good 4", "sheet 4", "job 4"]);
    await page.keyboard.press("Enter");
    assert.equal(await page.evaluate(() => document.activeElement.id), "panel-head");
    await page.keyboard.press("Escape");
    assert.equal(await page.evaluate(() => document.activeElement.dataset.key), "job");
  }],

  ["a slap on the far view only opens the near one", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    await shows(page, "tight");
    for (const [x, y] of [[100, 100], [640, 500], [1200, 780]]) {
      await page.goto(`${fixture.page}/#far`);
      // A change of the address's fragment reaches the page a moment later.
      await page.waitForFunction(() => document.body.dataset.view === "far");
      await page.mouse.click(x, y);
      await page.waitForFunction(() => document.body.dataset.view === "near");
    }
    assert.equal(await fixture.ask("commanded"), "[]");
  }],

  ["names from outside are shown inert", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "hostile");
    const page = await open(chrome, `${fixture.page}/#near`);
    await shows(page, "tight");
    await page.waitForTimeout(500);
    assert.equal(await page.locator("img").count(), 0);
    assert.equal(await page.locator("#chips b").count(), 0);
    assert.match(await page.textContent("#facts"), /<img src=x onerror=alert\(1\)>/);
    assert.deepEqual(page.trouble, []);
  }],

  ["no state breaks the content policy or writes an error", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    for (const scene of JSON.parse(await fixture.ask("scenes"))) {
      await fixture.tell("scene", scene);
      await page.waitForTimeout(300);
    }
    assert.deepEqual(page.trouble, []);
  }],

  ["simulated is said in the frame, beside the word and in the title", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "simulated");
    for (const hash of ["far", "near"]) {
      const page = await open(chrome, `${fixture.page}/#${hash}`);
      await shows(page, "tight");
      await page.waitForFunction(() => document.title.startsWith("SIMULATED TIGHT"));
      assert.ok(await page.locator("#source").isVisible());
      assert.equal(await page.textContent("#source"), "SIMULATED");
      const frame = await page.evaluate(() => getComputedStyle(document.body, "::before").borderTopWidth);
      assert.equal(frame, "10px");
    }
  }],

  ["a phone gets the near view and is told why", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, `${fixture.page}/#far`, { size: SIZES.phone });
    await shows(page, "tight");
    assert.equal(await page.evaluate(() => document.body.dataset.view), "near");
    assert.ok(await page.locator(".small-screen").isVisible());
  }],

  ["the first view is light: 60 KiB over the wire and nothing from elsewhere", async ({ chrome, fixture, assert }) => {
    const page = await (await chrome.newContext()).newPage();
    const wire = await page.context().newCDPSession(page);
    await wire.send("Network.enable");
    let bytes = 0;
    const hosts = new Set();
    wire.on("Network.loadingFinished", ({ encodedDataLength }) => (bytes += encodedDataLength));
    wire.on("Network.requestWillBeSent", ({ request }) => hosts.add(new URL(request.url).host));
    await page.goto(fixture.page);
    await shows(page, "tight");
    await page.waitForTimeout(500);
    assert.deepEqual([...hosts], [new URL(fixture.page).host]);
    assert.ok(bytes > 0 && bytes <= 60 * 1024, `${bytes} bytes`);
  }],

  ["eight tabs all live, for those out of sight let go of their stream", async ({ chrome, fixture, assert }) => {
    const context = await chrome.newContext({ viewport: SIZES.tablet });
    const pages = [];
    for (let k = 0; k < 8; k += 1) {
      for (const page of pages) await hide(page, true);
      const page = await context.newPage();
      await page.goto(fixture.page);
      await shows(page, "tight");
      pages.push(page);
    }
    await fixture.tell("scene", "weak");
    for (const page of pages) {
      for (const other of pages) await hide(other, other !== page);
      await shows(page, "weak");
    }
    assert.equal(pages.length, 8);
    await context.close();
  }],
];

/** Headless tabs all count as visible; this says otherwise the way a browser does. */
async function hide(page, hidden) {
  await page.evaluate((hidden) => {
    if (document.hidden === hidden) return;
    Object.defineProperty(document, "hidden", { value: hidden, configurable: true });
    document.dispatchEvent(new Event("visibilitychange"));
  }, hidden);
}
