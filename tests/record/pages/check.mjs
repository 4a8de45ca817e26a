// Accessibility of HTML records in a headless browser: axe-core on screen in both colour schemes and on a phone.
// Prepare once in this folder: npm install axe-core puppeteer-core. Run: node check.mjs BROWSER RECORD.html ...
// Exit code 1 when a rule is broken, or when the page is wider than a phone.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const require = createRequire(process.env.NODE_MODULES_AT ?? import.meta.url);
const puppeteer = require("puppeteer-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const [browserPath, ...pages] = process.argv.slice(2);
const browser = await puppeteer.launch({ executablePath: browserPath, args: ["--no-sandbox", "--disable-gpu"] });
let broken = 0;
for (const file of pages) {
  for (const [scheme, width] of [["light", 1200], ["dark", 1200], ["light", 360]]) {
    const page = await browser.newPage();
    await page.setBypassCSP(true); // the record forbids every script, this one included
    await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
    await page.setViewport({ width, height: 900 });
    await page.goto(pathToFileURL(file).href);
    const across = await page.evaluate(() => document.documentElement.scrollWidth);
    if (across > width) {
      broken += 1;
      console.log(`${file} (${scheme}, ${width} px): the page is ${across} px wide`);
    }
    await page.evaluate(axe);
    const { violations } = await page.evaluate(() => window.axe.run(document));
    for (const rule of violations) {
      broken += rule.nodes.length;
      console.log(`${file} (${scheme}, ${width} px): ${rule.id}, ${rule.impact}: ${rule.help}`);
      for (const node of rule.nodes.slice(0, 3)) console.log(`    ${node.html.slice(0, 200)}\n    ${node.failureSummary}`);
    }
    await page.close();
  }
}
await browser.close();
console.log(broken ? `${broken} places` : "nothing found");
process.exit(broken ? 1 : 0);
