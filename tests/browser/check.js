// Opens a report in a headless browser and fails on what a reader would stumble over: anything
// fetched from outside, errors, a page wider than its window, empty or unreadable figures.
//
// node check.js REPORT.html [FOLDER FOR PICTURES]
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [report, pictures] = process.argv.slice(2);
if (!report) {
  console.error("usage: node check.js REPORT.html [FOLDER FOR PICTURES]");
  process.exit(2);
}
const address = pathToFileURL(resolve(report)).href;
const profile = mkdtempSync(join(tmpdir(), "boneglow-browser-"));
const problems = [];

const browser = await chromium.launchPersistentContext(profile, {
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  headless: true,
  args: [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
  ],
});

/** What is wrong within the figures, looked at from inside the page. */
function lookAtFigures() {
  const found = [];
  const figures = [...document.querySelectorAll("figure")];
  if (figures.length === 0) found.push("there is no figure");
  for (const figure of figures) {
    const name = figure.id;
    const svg = figure.querySelector("svg");
    if (!svg) {
      found.push(`${name}: no picture`);
      continue;
    }
    const paper = svg.getBoundingClientRect();
    if (paper.width < 300 || paper.height < 80) found.push(`${name}: ${paper.width} by ${paper.height} px`);
    if (svg.querySelectorAll("line, polyline, polygon, circle, rect, image").length < 5) found.push(`${name}: nearly empty`);
    if (!svg.querySelector("title")?.textContent || !svg.querySelector("desc")?.textContent) found.push(`${name}: no words for readers who do not see`);
    if (!figure.querySelector("figcaption")?.textContent.trim()) found.push(`${name}: no caption`);
    const words = [...svg.querySelectorAll("text")].map((text) => ({
      text: text.textContent,
      box: text.getBoundingClientRect(),
    }));
    for (const { text, box } of words) {
      const outside = box.left < paper.left - 1 || box.right > paper.right + 1 || box.top < paper.top - 1 || box.bottom > paper.bottom + 1;
      if (outside) found.push(`${name}: "${text}" is cut off`);
    }
    for (let i = 0; i < words.length; i++) {
      for (let j = i + 1; j < words.length; j++) {
        const [a, b] = [words[i].box, words[j].box];
        const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
        const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        if (across <= 0 || down <= 0) continue;
        const smaller = Math.min(a.width * a.height, b.width * b.height);
        if (across * down > 0.25 * smaller) found.push(`${name}: "${words[i].text}" and "${words[j].text}" overlap`);
      }
    }
  }
  for (const link of document.querySelectorAll('nav a[href^="#"]')) {
    if (!document.querySelector(link.getAttribute("href"))) found.push(`the contents point to ${link.getAttribute("href")}, which is not there`);
  }
  const ids = [...document.querySelectorAll("[id]")].map((element) => element.id);
  for (const id of new Set(ids)) {
    if (ids.filter((other) => other === id).length > 1) found.push(`the id ${id} stands twice`);
  }
  return found;
}

let figures = 0;
try {
  for (const width of [1280, 420]) {
    for (const colorScheme of ["light", "dark"]) {
      const view = `${width} px, ${colorScheme}`;
      const page = await browser.newPage();
      await page.setViewportSize({ width, height: 900 });
      await page.emulateMedia({ colorScheme });
      page.on("console", (message) => {
        if (["error", "warning"].includes(message.type())) problems.push(`${view}: console: ${message.text()}`);
      });
      page.on("pageerror", (error) => problems.push(`${view}: ${error.message}`));
      page.on("request", (request) => {
        const url = request.url();
        if (url !== address && !url.startsWith("data:")) problems.push(`${view}: asks for ${url}`);
      });
      await page.goto(address, { waitUntil: "load" });
      const [inside, window] = await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
      if (inside > window) problems.push(`${view}: the page is ${inside} px wide in a window of ${window} px`);
      for (const problem of await page.evaluate(lookAtFigures)) problems.push(`${view}: ${problem}`);
      figures = await page.evaluate(() => document.querySelectorAll("figure").length);
      if (pictures) await page.screenshot({ path: join(pictures, `report-${width}-${colorScheme}.png`), fullPage: true });
      await page.close();
    }
  }
  const page = await browser.newPage();
  await page.goto(address);
  const pdf = await page.pdf({ format: "A4" });
  if (pdf.length < 10_000) problems.push("the printed report is empty");
} finally {
  await browser.close();
  rmSync(profile, { recursive: true, force: true });
}

for (const problem of problems) console.error(problem);
if (problems.length > 0) process.exit(1);
console.log(`${report}: ${figures} figures, nothing to complain about at 1280 and 420 px, light and dark, and in print`);
