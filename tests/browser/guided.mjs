// The pages of guided runs: what they say at each moment, what their keys order, and that they fit.

import { mkdirSync } from "node:fs";
import { SIZES, open } from "./shop.mjs";

/** Opens a page of guided runs at a moment. */
async function at(chrome, fixture, path, moment, more) {
  await fixture.tell("guide", moment);
  const page = await open(chrome, `${fixture.page}/${path}?unit=kPa`, more);
  await page.waitForFunction(() => document.querySelector("#table").textContent !== "");
  if (process.env.PICTURES) {
    mkdirSync(process.env.PICTURES, { recursive: true });
    await page.waitForTimeout(500);
    await page.screenshot({ path: `${process.env.PICTURES}/${path}-${moment}-${page.viewportSize().width}.png`, fullPage: true });
  }
  return page;
}

const says = (page, selector, words) =>
  page.waitForFunction(([place, text]) => document.querySelector(place)?.textContent.replaceAll("\u00a0", " ").includes(text), [selector, words]);

export const checks = [
  ["a survey is begun, and each step says what to do", async ({ chrome, fixture, assert }) => {
    const page = await at(chrome, fixture, "survey", "none");
    await page.getByRole("button", { name: "Begin a survey" }).click();
    await fixture.tell("guide", "survey-first");
    await says(page, "#do", "barometer that stands in the shop");
    await page.getByLabel("Barometer in hPa").fill("987");
    await page.getByRole("button", { name: "Take this" }).click();
    await page.getByRole("listitem").filter({ hasText: "Hole of 12 mm" }).getByRole("button", { name: "Do this" }).click();
    await says(page, "#now-head", "Hole of 12 mm");
    await page.getByLabel("Hole in mm").fill("10");
    await page.getByRole("button", { name: "It is so: read it" }).click();
    await page.waitForFunction(() => document.getElementById("said").textContent === "");
    const commanded = await fixture.ask("commanded");
    assert.match(commanded, /Survey\(Start \{ wanted: 0\.1 \}\)/);
    assert.match(commanded, /Type \{ step: 0, typed: Barometer\(AbsolutePressure\(98700\.0\)\) \}/);
    assert.match(commanded, /Measure \{ step: 2, hole: Some\(Length\(0\.01\)\), beside: false \}/);
    assert.deepEqual(page.trouble, []);
  }],

  ["a pump without air is counted down, and the word says that nothing is judged", async ({ chrome, fixture, assert }) => {
    const page = await at(chrome, fixture, "survey", "survey-shut");
    await says(page, "#shut", "18 s left");
    await says(page, "#state", "Waiting until it stands still. So far 81.2");
    await says(page, "#quiet", "alarms about the table are held back");
    assert.equal(await page.locator("#share").evaluate((bar) => bar.value), 0.6);
    assert.deepEqual(await page.locator("#keys button").allTextContents(), ["Break off"]);
  }],

  ["a level that has not moved is taken only when somebody vouches for it", async ({ chrome, fixture, assert }) => {
    const page = await at(chrome, fixture, "survey", "survey-unmoved");
    await says(page, "#state", "The level is where it was before");
    await page.getByRole("button", { name: "It is as asked: take it" }).click();
    await page.waitForTimeout(300);
    assert.match(await fixture.ask("commanded"), /Survey\(Confirm\)/);
  }],

  ["the result says what is told, what is not, what comes next, and what goes into the setup", async ({ chrome, fixture, assert }) => {
    const page = await at(chrome, fixture, "survey", "survey-result");
    await says(page, "#found", "suction capacity, pump and filter");
    const text = (await page.textContent("#found")).replaceAll("\u00a0", " ");
    for (const words of ["148", "133 to 164", "6.40·10⁻¹³", "Only together, not apart: pump, left of its flow, filter", "No number for: valve of zone 1", "narrows board, through it most", "wear = 0.812", "these keys go: class, faces", "Pump and filter were not told apart", "0.34, between 0.31 and 0.37"]) {
      assert.ok(text.includes(words), `${words} in ${text}`);
    }
    await says(page, "#steps", "Stands alone: read it again");
    await says(page, "#do", "no other zone says the same");
    await page.getByRole("button", { name: "Read once more" }).click();
    await page.getByRole("button", { name: "Count it" }).click();
    await page.getByRole("button", { name: "Throw out" }).first().click();
    await page.waitForTimeout(300);
    const commanded = await fixture.ask("commanded");
    assert.match(commanded, /Measure \{ step: 5, hole: None, beside: true \}/);
    assert.match(commanded, /TakeBack \{ reading: 5 \}/);
    assert.match(commanded, /Throw \{ reading: 1 \}/);
  }],

  ["the six o'clock check asks one thing after the other and shows what came of it", async ({ chrome, fixture, assert }) => {
    const page = await at(chrome, fixture, "check", "check-first");
    await says(page, "#do", "grooves and gaskets free of chips");
    await page.getByRole("button", { name: "Not clean" }).click();
    await page.waitForTimeout(300);
    assert.match(await fixture.ask("commanded"), /Check\(Mark \{ item: Chips, fine: false \}\)/);
    await fixture.tell("guide", "check-result");
    await says(page, "#do", "Not everything is as it should be");
    const steps = (await page.textContent("#steps")).replaceAll("\u00a0", " ");
    assert.ok(steps.includes("28.3 kPa, lower than before (31.4 kPa, limit 1.3 kPa)"), steps);
    assert.equal(await page.locator("#before li").count(), 2);
    assert.deepEqual(page.trouble, []);
  }],

  ["after each sheet one tap says how it came out", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, `${fixture.page}/#near`);
    await page.waitForFunction(() => document.body.dataset.verdict === "tight");
    assert.ok(await page.locator("#outcome").isHidden());
    await fixture.tell("scene", "sheet-ended");
    await page.getByText("Sheet 412: how did it come out?").waitFor();
    await page.locator("#outcome").getByRole("button", { name: "Chatter" }).click();
    await page.waitForFunction(() => document.getElementById("said").textContent === "Done.");
    assert.match(await fixture.ask("commanded"), /SheetOutcome\(Chatter, None\)/);
  }],

  ["the pages of guided runs fit a tablet and a phone, light and dark", async ({ chrome, fixture, assert }) => {
    for (const size of [SIZES.tablet, SIZES.phone, SIZES.narrow]) {
      for (const [path, moment] of [["survey", "none"], ["survey", "survey-shut"], ["survey", "survey-result"], ["check", "check-first"], ["check", "check-result"]]) {
        const page = await at(chrome, fixture, path, moment, { size, dark: size === SIZES.phone });
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
        assert.ok(wide <= 0, `${path} ${moment} is ${wide} px wider than ${size.width}`);
        const small = await page.evaluate(() =>
          [...document.querySelectorAll("button")].filter((key) => key.offsetParent && key.getBoundingClientRect().height < 44).map((key) => key.textContent),
        );
        assert.deepEqual(small, [], `${path} ${moment}`);
        await page.context().close();
      }
    }
  }],
];
