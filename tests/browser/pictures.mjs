// Takes a picture of every scene, for people to look at: node pictures.mjs PROGRAM FOLDER [SCENE …]

import { mkdirSync } from "node:fs";
import { Fixture, SIZES, browser, open } from "./shop.mjs";

const [program, folder, ...asked] = process.argv.slice(2);
mkdirSync(folder, { recursive: true });
const fixture = await Fixture.start(program);
const chrome = await browser();
const scenes = asked.length ? asked : JSON.parse(await fixture.ask("scenes"));
const views = [
  ["far", "#far", { size: SIZES.tablet }],
  ["near", "#near", { size: SIZES.tablet }],
  ["far-dark", "#far", { size: SIZES.tablet, dark: true }],
  ["near-dark", "#near", { size: SIZES.tablet, dark: true }],
  ["phone", "#near", { size: SIZES.phone }],
];
for (const scene of scenes) {
  await fixture.tell("scene", scene);
  for (const [name, hash, options] of views) {
    const page = await open(chrome, fixture.page + "/" + hash, options);
    await page.waitForTimeout(700);
    await page.screenshot({ path: `${folder}/${scene}-${name}.png`, fullPage: name === "phone" });
    if (page.trouble.length) console.log(scene, name, page.trouble);
    await page.context().close();
  }
}
await chrome.close();
await fixture.end();
