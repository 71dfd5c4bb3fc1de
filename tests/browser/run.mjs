// The checks of the page in a browser. Each is a sentence; any that fails is printed and ends in exit code 1.
//
//   node run.mjs PROGRAM [PART OF A SENTENCE]

import assert from "node:assert/strict";
import { Fixture, browser } from "./shop.mjs";
import { checks as faults } from "./faults.mjs";
import { checks as guided } from "./guided.mjs";
import { checks as looks } from "./looks.mjs";
import { checks as parts } from "./parts.mjs";
import { checks as reach } from "./reach.mjs";

const [program, only = ""] = process.argv.slice(2);
const chrome = await browser();
let failed = 0;

/** No check may hold up the others for ever. */
function tooLong() {
  return new Promise((_, reject) => setTimeout(() => reject(new Error("it did not end in 5 minutes")), 300000).unref());
}

for (const [sentence, check] of [...parts, ...looks, ...reach, ...faults, ...guided]) {
  if (!sentence.includes(only)) continue;
  const fixture = await Fixture.start(program);
  try {
    await Promise.race([check({ chrome, fixture, program, assert }), tooLong()]);
    console.log(`  ok      ${sentence}`);
  } catch (error) {
    failed += 1;
    console.log(`  FAILED  ${sentence}\n${String(error.stack ?? error).replace(/^/gm, "          ")}`);
  }
  await fixture.end();
}
await chrome.close();
process.exit(failed ? 1 : 0);
