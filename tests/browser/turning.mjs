// How smoothly a page's model turns: `node turning.mjs PAGE.html [WIDTH HEIGHT]`. A hand drags for six
// seconds; told is how long after one picture the browser took the next. A measure to be repeated on a
// quiet machine, no test: it depends on what draws (here no graphics card, the slowest there is).
import { launch, open } from "./browser.mjs";

const [file, width = "1360", height = "900"] = process.argv.slice(2);
const SECONDS = 6;
const browser = await launch();
const { page, close } = await open(browser, file, { viewport: { width: +width, height: +height } });
await page.waitForTimeout(1000);
const box = await page.locator("canvas").first().boundingBox();
const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
await page.mouse.move(x, y);
await page.mouse.down();
await page.evaluate(() => {
  window.waits = [];
  let last = performance.now();
  const next = () => {
    const now = performance.now();
    window.waits.push(now - last);
    last = now;
    requestAnimationFrame(next);
  };
  requestAnimationFrame(next);
});
const began = Date.now();
for (let k = 1; Date.now() - began < 1000 * SECONDS; k++) {
  await page.mouse.move(x + 100 * Math.sin(k / 10), y + 60 * Math.cos(k / 13));
}
await page.mouse.up();
const waits = (await page.evaluate(() => window.waits)).slice(1).sort((a, b) => a - b);
const at = (share) => waits[Math.min(waits.length - 1, Math.floor(share * waits.length))].toFixed(0);
console.log(`${width} x ${height}: ${waits.length} pictures in ${SECONDS} s, half within ${at(0.5)} ms, `
  + `95 of 100 within ${at(0.95)} ms, the slowest ${at(1)} ms`);
await close();
await browser.close();
