// A browser without a window, and pages opened in it from disk with every request and every word
// on the console kept.
import { execFileSync } from "node:child_process";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import zlib from "node:zlib";
import { chromium } from "playwright-core";

export const AXE = createRequire(import.meta.url).resolve("axe-core/axe.min.js");

export function launch() {
  return chromium.launch({
    executablePath: process.env.CHROMIUM || "/usr/bin/chromium",
    headless: true,
    args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
      "--disable-background-networking", "--disable-component-update", "--disable-sync",
      "--use-angle=swiftshader", "--enable-unsafe-swiftshader"],
  });
}

// Runs the program; its exit code tells a verdict, and 2 that it could not tell.
export function secondbend(...typed) {
  try {
    return { code: 0, out: execFileSync(process.env.SECONDBEND, typed, { encoding: "utf8" }) };
  } catch (e) {
    if (e.status === null || e.status === undefined) throw e;
    return { code: e.status, out: e.stdout, errors: e.stderr };
  }
}

export async function open(browser, file, options = {}) {
  const context = await browser.newContext({
    viewport: { width: 1280, height: 900 }, reducedMotion: "reduce", bypassCSP: false, ...options });
  const page = await context.newPage();
  const heard = [], asked = [];
  page.on("console", (m) => {
    // The browser's own remark that a picture of the drawing was waited for.
    if (!m.text().includes("GPU stall due to ReadPixels")) heard.push(`${m.type()}: ${m.text()}`);
  });
  page.on("pageerror", (e) => heard.push(`error: ${e.message}`));
  page.on("request", (r) => asked.push(r.url()));
  await page.goto(pathToFileURL(file).href);
  await settled(page);
  return { page, heard, asked, address: pathToFileURL(file).href, close: () => context.close() };
}

// Two frames on: what was asked to be drawn is drawn. A slow machine draws coarsely until the model
// stands still, and is waited for until it is whole again, which it must be within ten seconds.
export const settled = (page) => page.evaluate(() => new Promise((done, fail) => {
  const began = performance.now();
  const look = () => {
    if (!document.querySelector('canvas[data-drawn="coarse"]')) done();
    else if (performance.now() - began > 10000) fail(new Error("still drawn coarsely"));
    else requestAnimationFrame(look);
  };
  requestAnimationFrame(() => requestAnimationFrame(look));
}));

// The pixels of a part of the page, as red, green, blue a pixel.
export async function pixels(page, selector) {
  return decode(await page.locator(selector).screenshot());
}

// PNG, eight bits, with or without alpha: enough for what the browser makes.
function decode(png) {
  let at = 8, wide = 0, high = 0, bytes = 3;
  const data = [];
  while (at < png.length) {
    const size = png.readUInt32BE(at), kind = png.toString("latin1", at + 4, at + 8), body = png.subarray(at + 8, at + 8 + size);
    if (kind === "IHDR") [wide, high, bytes] = [body.readUInt32BE(0), body.readUInt32BE(4), body[9] === 6 ? 4 : 3];
    if (kind === "IDAT") data.push(body);
    at += size + 12;
  }
  const raw = zlib.inflateSync(Buffer.concat(data)), row = wide * bytes, out = Buffer.alloc(row * high);
  for (let y = 0; y < high; y++) {
    const filter = raw[y * (row + 1)];
    for (let x = 0; x < row; x++) {
      const a = x >= bytes ? out[y * row + x - bytes] : 0, b = y ? out[(y - 1) * row + x] : 0;
      const c = x >= bytes && y ? out[(y - 1) * row + x - bytes] : 0;
      const p = a + b - c, [pa, pb, pc] = [Math.abs(p - a), Math.abs(p - b), Math.abs(p - c)];
      const guess = [0, a, b, (a + b) >> 1, pa <= pb && pa <= pc ? a : pb <= pc ? b : c][filter];
      out[y * row + x] = (raw[y * (row + 1) + 1 + x] + guess) & 255;
    }
  }
  return { wide, high, bytes, out };
}

// Share of pixels that differ clearly from another picture, or from one colour.
export function differing(a, b) {
  let n = 0;
  for (let i = 0; i < a.out.length; i += a.bytes) {
    const off = [0, 1, 2].some((k) => Math.abs(a.out[i + k] - (Array.isArray(b) ? b[k] : b.out[i + k])) > 12);
    n += off ? 1 : 0;
  }
  return n / (a.out.length / a.bytes);
}
