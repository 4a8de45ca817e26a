// HTML records in a headless browser. As shipped: nothing is blocked, nothing is fetched, every picture is shown, nothing is
// wider than a phone. With axe-core: accessibility in both colour schemes and on a phone.
// Prepare once in a folder with this package.json: npm install. Run: node check.mjs BROWSER RECORD.html ...
// (NODE_MODULES_AT: that folder, with a slash at its end, where it is not this one. Pages behind --once: on a light phone
// only.) Exit code 1 when something is found.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const require = createRequire(process.env.NODE_MODULES_AT ?? import.meta.url);
const puppeteer = require("puppeteer-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const [browserPath, ...rest] = process.argv.slice(2);
const views = [["light", 360], ["dark", 1200], ["light", 1200]];
const quiet = ["--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"];
const patience = 300_000; // ms: the computer may be busy with other tests
const browser = await puppeteer.launch({
  executablePath: browserPath, args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-dev-shm-usage", ...quiet],
  timeout: patience, protocolTimeout: patience,
});
let broken = 0;

function found(where, what) {
  broken += 1;
  console.log(`${where}: ${what}`);
}

async function asShipped(file) {
  const page = await browser.newPage();
  page.on("console", (message) => { if (["error", "warn"].includes(message.type())) found(file, message.text().slice(0, 300)); });
  page.on("pageerror", (error) => found(file, String(error)));
  page.on("request", (asked) => { if (!/^(file|data):/.test(asked.url())) found(file, `fetches ${asked.url()}`); });
  await page.goto(pathToFileURL(file).href, { timeout: patience });
  const dark = await page.evaluate(() => [...document.images].filter((i) => !i.complete || !i.naturalWidth).length);
  if (dark) found(file, `${dark} pictures are not shown`);
  await page.close();
}

async function withAxe(file, scheme, width) {
  const where = `${file} (${scheme}, ${width} px)`;
  const page = await browser.newPage();
  await page.setBypassCSP(true); // the record forbids every script, this one included
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
  await page.setViewport({ width, height: 900 });
  await page.goto(pathToFileURL(file).href, { timeout: patience });
  const across = await page.evaluate(() => document.documentElement.scrollWidth);
  if (across > width) found(where, `the page is ${across} px wide`);
  await page.evaluate(axe);
  const { violations, passes } = await page.evaluate(() => window.axe.run(document));
  if (passes.length < 10) found(where, `only ${passes.length} rules of axe applied`);
  for (const rule of violations) {
    found(where, `${rule.id}, ${rule.impact}: ${rule.help} (${rule.nodes.length} places)`);
    for (const node of rule.nodes.slice(0, 3)) console.log(`    ${node.html.slice(0, 200)}\n    ${node.failureSummary}`);
  }
  await page.close();
}

let number = views.length;
for (const file of rest) {
  if (file === "--once") { number = 1; continue; }
  await asShipped(file);
  for (const [scheme, width] of views.slice(0, number)) await withAxe(file, scheme, width);
}
await browser.close();
console.log(broken ? `${broken} found` : "nothing found");
process.exit(broken ? 1 : 0);
