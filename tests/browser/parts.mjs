// The page's own modules in the browser: sentences, quantities, columns.

import { open } from "./shop.mjs";

/** Imports one of the page's modules in the page. */
async function inPage(page, name, use, given) {
  const build = await page.getAttribute("meta[name=build]", "content");
  return page.evaluate(`import("/web/${build}/${name}").then((module) => (${use})(module, ${JSON.stringify(given)}))`);
}

export const checks = [
  ["a strip of columns keeps every low and every high", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    const wrong = await inPage(page, "draw.js", ({ columns }) => {
      let seed = 1;
      const chance = () => (seed = (seed * 48271) % 2147483647) / 2147483647;
      const samples = Array.from({ length: 100000 }, (_, k) => {
        const value = 52000 + 800 * chance() - (chance() < 0.002 ? 18000 * chance() : 0);
        return { at: k / 100000, min: value, max: value, low: null, high: null };
      });
      return columns(samples, 0, 1, 1200).filter((cell, k) => {
        const raw = samples.filter(({ at }) => Math.floor(at * 1200) === k).map(({ min }) => min);
        return cell.min !== Math.min(...raw) || cell.max !== Math.max(...raw);
      }).length;
    });
    assert.equal(wrong, 0);
  }],

  ["a column without a reading stays empty", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    const cells = await inPage(page, "draw.js", ({ columns }) => {
      const at = (second) => ({ at: second, min: 1, max: 2, low: null, high: null });
      return columns([at(0.5), at(3.5), at(9)], 0, 4, 4).map(Boolean);
    });
    assert.deepEqual(cells, [true, false, false, true]);
  }],

  ["what the board has cost is said to stand on an assumed price while none was told", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, fixture.page);
    const [assumed, told] = await inPage(page, "board.js", ({ told }, detail) => {
      const figure = (assumed) => ({ key: "prices.board", value: 95, assumed });
      const of = (assumed) => told({ ...detail, care: { ...detail.care, figures: [figure(assumed)] } });
      const text = (nodes) => [].concat(nodes).map((node) => node.textContent).join(" ");
      return [text(of(true)), text(of(false))];
    }, {
      leak_index: null, due: null, cut_m: 0, sheets_since_skim: 1, scarred_share: 0, worst_scar_m: null, worst_scar_at_m: null, sheets_uncharted: 0, board_left_m: 0.01, skims: 0,
      skims_left: null, causes: null, seals: [], care: { now: "cut", to_care_sheets: null, to_board_sheets: null, waiting: 0, per_sheet: 1, order_in_days: null },
      pump_h: 1, pump_since_filter_h: 1, pump_since_service_h: 1, filter_drop_pa: null, filter_limit_pa: null, tools: [],
      energy_a_sheet: null, leak_a_month: null, board_a_sheet: 47.5,
    });
    assert.match(assumed, /This board has cost 47\.50? a sheet, by an assumed price\./);
    assert.match(told, /This board has cost 47\.50? a sheet\./);
  }],

  ["a sentence is filled, and a part whose value is missing is left out", async ({ chrome, fixture, assert }) => {
    const page = await open(chrome, `${fixture.page}/?unit=mbar`);
    const texts = await inPage(page, "words.js", async ({ fill, load }, build) => {
      await load(document.querySelector("meta[name=build]").content);
      return [
        fill("Held.[ Vacuum is {vacuum_pa}.]", { vacuum_pa: 52400 }),
        fill("Held.[ Vacuum is {vacuum_pa}.]"),
        fill("{low_pa:n} to {high_pa}", { low_pa: 50000, high_pa: 55049 }),
        fill("{age_s} {leak_m3_h} {margin} {cut_share}", { age_s: 190, leak_m3_h: 6.44, margin: 1.25, cut_share: 0.43 }),
        fill("{x}", {}),
        fill("{vacuum_pa}", { vacuum_pa: -4 }),
      ].map((text) => text.replaceAll("\u00a0", " "));
    });
    assert.deepEqual(texts, ["Held. Vacuum is 524 mbar.", "Held.", "500 to 550 mbar", "3 min 6.4 m³/h 1.3× 43 %", "–", "0 mbar"]);
  }],
];
