// What is seen: sizes, places, contrast, overflow, print.

import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { SIZES, open, shows } from "./shop.mjs";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
const WORDS = { tight: "tight", weak: "weak", loose: "loose", blind: "blind", high: "high", "no-job": "no-job", off: "off" };

/** Height in pixels of the inked rows of the far view's word, and whether it stands on one line inside its slab. */
function measureWord() {
  const node = document.querySelector("#far .word");
  const style = getComputedStyle(node);
  const pen = document.createElement("canvas").getContext("2d");
  pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
  const range = document.createRange();
  range.selectNodeContents(node);
  const word = range.getBoundingClientRect();
  const slab = document.querySelector("#far .slab").getBoundingClientRect();
  const inside = word.left >= slab.left && word.right <= slab.right && word.top >= slab.top && word.bottom <= slab.bottom;
  return { capital: pen.measureText("H").actualBoundingBoxAscent, lines: range.getClientRects().length, inside };
}

/** Pairs of the given nodes whose boxes overlap, and nodes whose text does not fit in their box. */
function collisions(selectors) {
  const nodes = selectors.flatMap((selector) => [...document.querySelectorAll(selector)]).filter((node) => node.offsetParent);
  const boxes = nodes.map((node) => [node.id || node.className || node.tagName, node.getBoundingClientRect()]);
  const found = [];
  for (const [k, [a, p]] of boxes.entries()) {
    for (const [b, q] of boxes.slice(k + 1)) {
      const apart = p.right <= q.left + 0.5 || q.right <= p.left + 0.5 || p.bottom <= q.top + 0.5 || q.bottom <= p.top + 0.5;
      if (!apart) found.push(`${a} over ${b}`);
    }
  }
  return found;
}

/** Runs axe with the link that lies over the far view put under it, for axe cannot see the ground through a link. */
async function audit(page) {
  if (!(await page.evaluate(() => "axe" in window))) await page.evaluate(axe);
  return page.evaluate(async (tags) => {
    document.getElementById("closer").style.zIndex = "-1";
    const { violations, incomplete } = await axe.run({ runOnly: tags });
    return { violations, incomplete };
  }, TAGS);
}

/** Texts whose ground axe cannot tell: the word on its slab and the scale's figures. The next check reckons them by hand. */
function explained({ id, nodes }) {
  return id === "color-contrast" && nodes.every(({ target }) => /\.word|^text|\.unit/.test(String(target)));
}

/** Contrast by WCAG 2.2, definition of "contrast ratio", of two colours as the browser computes them. */
function contrasts(pairs) {
  const light = (property) => {
    const probe = document.body.appendChild(document.createElement("i"));
    probe.style.color = `var(${property})`;
    const parts = getComputedStyle(probe).color.match(/[\d.]+/g).slice(0, 3).map((part) => part / 255);
    probe.remove();
    const [r, g, b] = parts.map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  return pairs.map(([a, b]) => {
    const [x, y] = [light(a), light(b)].sort((p, q) => q - p);
    return [`${a} on ${b}`, (x + 0.05) / (y + 0.05)];
  });
}

export const checks = [
  ["every word has capitals of 172 px on one line across the shop", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, `${fixture.page}/#far`);
    for (const [scene, verdict] of Object.entries(WORDS)) {
      await fixture.tell("scene", scene);
      await shows(page, verdict);
      const { capital, lines, inside } = await page.evaluate(measureWord);
      assert.ok(capital >= 172, `${scene}: capitals of ${capital} px`);
      assert.equal(lines, 1, scene);
      assert.ok(inside, `${scene}: the word leaves its slab`);
    }
  }],

  ["nothing covers anything else and nothing scrolls across the shop", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, `${fixture.page}/#far`);
    for (const scene of JSON.parse(await fixture.ask("scenes"))) {
      await fixture.tell("scene", scene);
      await page.waitForTimeout(600);
      const parts = ["header", "#far .slab", ".hold", "#far > .why", ".squares i", "#chips li"];
      if (scene !== "hostile") assert.deepEqual(await page.evaluate(collisions, parts), [], scene);
      const over = await page.evaluate(() => document.documentElement.scrollHeight - innerHeight);
      assert.ok(over <= 0, `${scene}: ${over} px below the screen`);
      const cut = await page.evaluate(() => {
        const why = document.querySelector("#far > .why");
        return why.scrollHeight - why.clientHeight;
      });
      if (scene !== "hostile") assert.ok(cut <= 6, `${scene}: the reason is cut off by ${cut} px`);
    }
  }],

  ["nothing at the table covers anything else", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, `${fixture.page}/#near`);
    for (const scene of JSON.parse(await fixture.ask("scenes"))) {
      await fixture.tell("scene", scene);
      await page.waitForTimeout(500);
      const parts = ["header", "#near .slab", "#near .why", ".level figcaption", "#scale", ".told", ".strip", ".alarms", ".facts"];
      assert.deepEqual(await page.evaluate(collisions, parts), [], scene);
    }
  }],

  ["keys at the table are 112 px and 77 px apart, all else that is pressed 24 px", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "weak");
    const page = await open(chrome, `${fixture.page}/#near`);
    await shows(page, "weak");
    const boxes = async (selector) => page.$$eval(selector, (keys) => keys.filter((key) => key.offsetParent).map((key) => key.getBoundingClientRect().toJSON()));
    const apart = (a, b) => Math.max(b.left - a.right, a.left - b.right, b.top - a.bottom, a.top - b.bottom);
    const look = async (selector) => {
      const keys = await boxes(selector);
      assert.ok(keys.length >= 2);
      for (const [k, key] of keys.entries()) {
        assert.ok(Math.min(key.width, key.height) >= 112, `${selector}: a key of ${key.width} by ${key.height}`);
        for (const other of keys.slice(k + 1)) assert.ok(apart(key, other) >= 77, `${selector}: keys ${apart(key, other)} px apart`);
      }
    };
    await look("#keys button");
    for (const name of ["quiet", "good", "sheet", "job"]) {
      await page.click(`[data-key=${name}]`);
      await look("#panel button");
      await page.keyboard.press("Escape");
    }
    for (const link of await boxes("a")) assert.ok(Math.min(link.width, link.height) >= 24);
  }],

  ["axe finds nothing in any state, light or dark, at any size", async ({ chrome, fixture, assert }) => {
    const scenes = JSON.parse(await fixture.ask("scenes"));
    for (const [size, dark, hash] of [["tablet", false, "far"], ["tablet", true, "near"], ["tablet", false, "near"], ["tablet", true, "far"], ["phone", false, ""], ["phone", true, ""]]) {
      const page = await open(chrome, `${fixture.page}/#${hash}`, { size: SIZES[size], dark });
      for (const scene of scenes) {
        await fixture.tell("scene", scene);
        await page.waitForTimeout(450);
        const { violations, incomplete } = await audit(page);
        const say = (found) => found.map(({ id, nodes }) => `${id}: ${nodes.map((node) => node.target + " " + node.failureSummary).join("; ")}`);
        const where = `${scene}, ${size}, ${dark ? "dark" : "light"}, ${hash}`;
        assert.deepEqual(say(violations), [], where);
        assert.deepEqual(say(incomplete.filter((found) => !explained(found))), [], where);
      }
      await page.context().close();
    }
  }],

  ["what axe cannot judge has contrast too: texts 4.5, edges 3", async ({ chrome, fixture, assert }) => {
    for (const dark of [false, true]) {
      const page = await open(chrome, fixture.page, { dark });
      for (const [scene, verdict] of Object.entries(WORDS)) {
        await fixture.tell("scene", scene);
        await shows(page, verdict);
        const texts = [["--ink", "--ground"], ["--ink", "--rest"], ["--ink", "--rest-hatch"], ["--on-slab", "--slab"]];
        for (const [pair, ratio] of await page.evaluate(contrasts, texts)) assert.ok(ratio >= 4.5, `${scene}: ${pair} ${ratio}`);
        const edges = [["--slab-edge", "--ground"], ["--edge", "--ground"], ["--edge", "--paper"], ["--focus", "--ground"]];
        for (const [pair, ratio] of await page.evaluate(contrasts, edges)) assert.ok(ratio >= 3, `${scene}: ${pair} ${ratio}`);
      }
      await page.context().close();
    }
  }],

  ["nothing of the panel about the board is printed over anything else", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "tight");
    for (const size of ["tablet", "phone"]) {
      const page = await open(chrome, `${fixture.page}/#near`, { size: SIZES[size] });
      await shows(page, "tight");
      const press = (name) => page.getByRole("button", { name, exact: true }).click();
      const apart = async (what) => {
        if (process.env.PICTURES) await page.screenshot({ path: `${process.env.PICTURES}/panel-${what}-${size}.png`, fullPage: true });
        const boxes = await page.evaluate(() => [...document.querySelectorAll("#panel-keys > *")].map((node) => {
          const { left, right, top, bottom } = node.getBoundingClientRect();
          return { left, right, top, bottom, text: node.textContent };
        }));
        assert.ok(boxes.length > 2, `${what}: ${boxes.length}`);
        for (const [k, a] of boxes.entries()) {
          for (const b of boxes.slice(k + 1)) {
            const over = Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1;
            assert.ok(!over, `${size}: ${a.text} lies over ${b.text}`);
          }
        }
      };
      await press("Sheet, board");
      await press("Board and pump");
      await page.waitForSelector("#panel-keys .of-board li");
      await apart("board");
      await page.keyboard.press("Escape");
      await press("Sheet, board");
      await press("Alarms");
      await press("Take an alarm out of service");
      await press("Sudden loss of vacuum");
      await page.waitForSelector("#panel-keys label");
      await apart("why");
      await page.context().close();
    }
  }],

  ["nothing scrolls sideways at 320 px, however long the names are", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page, { size: SIZES.narrow });
    for (const scene of JSON.parse(await fixture.ask("scenes"))) {
      await fixture.tell("scene", scene);
      await page.waitForTimeout(400);
      const width = await page.evaluate(() => document.documentElement.scrollWidth);
      assert.ok(width <= 320, `${scene}: ${width} px wide`);
    }
  }],

  ["the words are told apart when blurred to what an eye sees at 5 m", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, `${fixture.page}/#far`);
    const seen = {};
    for (const [scene, verdict] of Object.entries(WORDS)) {
      await fixture.tell("scene", scene);
      await shows(page, verdict);
      const shot = (await page.locator("#far .slab").screenshot()).toString("base64");
      seen[scene] = await page.evaluate(blurred, shot);
    }
    const names = Object.keys(seen);
    for (const [k, a] of names.entries()) {
      for (const b of names.slice(k + 1)) {
        const apart = seen[a].filter((grey, cell) => Math.abs(grey - seen[b][cell]) > 48).length / seen[a].length;
        assert.ok(apart > 0.1, `${a} and ${b} differ in ${Math.round(apart * 100)} % of what is seen`);
      }
    }
  }],

  ["it prints on one sheet with the level drawn, and says when it is simulated", async ({ chrome, fixture, assert }) => {
    await fixture.tell("scene", "simulated");
    const page = await open(chrome, `${fixture.page}/#far`);
    await shows(page, "tight");
    await page.waitForTimeout(1200);
    const sheet = (await page.pdf({ format: "A4", preferCSSPageSize: true })).toString("latin1");
    assert.equal(sheet.match(/\/Type \/Page\b/g).length, 1);
    await page.emulateMedia({ media: "print" });
    const print = await page.evaluate(() => ({
      pointer: document.querySelector("#scale .pointer").getBoundingClientRect().width,
      word: document.querySelector("#near .word").textContent,
      source: document.querySelector("#source").textContent,
      far: document.querySelector("#far").offsetParent,
    }));
    assert.ok(print.pointer > 0);
    assert.deepEqual([print.word, print.source, print.far], ["TIGHT", "SIMULATED", null]);
  }],
];

/** The picture as one grey a 1/149 of the screen's width, which is an arc-minute at 5 m on the reference tablet. */
async function blurred(shot) {
  const bytes = Uint8Array.from(atob(shot), (letter) => letter.charCodeAt(0));
  const whole = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
  const [width, height] = [149, Math.round((149 * whole.height) / whole.width)];
  const pen = new OffscreenCanvas(width, height).getContext("2d");
  pen.imageSmoothingQuality = "high";
  pen.drawImage(whole, 0, 0, width, height);
  const { data } = pen.getImageData(0, 0, width, height);
  return Array.from({ length: width * height }, (_, k) => 0.3 * data[4 * k] + 0.59 * data[4 * k + 1] + 0.11 * data[4 * k + 2]);
}
