// What the pages do when opened from disk: no network, a model that turns, a section whose area is
// the report's, findings that lead to their place, keys, a printed record of one sheet.
import assert from "node:assert/strict";
import fs from "node:fs";
import os from "node:os";
import path from "node:path";
import { after, before, test } from "node:test";
import { AXE, differing, launch, open, pixels, secondbend, settled } from "./browser.mjs";

const root = path.resolve(import.meta.dirname, "../..");
const dir = fs.mkdtempSync(path.join(os.tmpdir(), "pages-"));
const at = (name) => path.join(dir, name);
const GROUND = [251, 250, 246];
const model = "#view";
let browser, vet;

// A hollow ball with a shaft out of it, thinner on one side: a shell that any tool can make.
function shell(file) {
  const facets = [], n = 48, m = 24;
  const ball = (r, off, out) => {
    const p = (i, j) => {
      const a = (2 * Math.PI * i) / n, b = 0.25 + ((Math.PI - 0.25) * j) / m;
      return [off + r * Math.sin(b) * Math.cos(a), r * Math.sin(b) * Math.sin(a), r * Math.cos(b)];
    };
    for (let i = 0; i < n; i++) for (let j = 0; j < m; j++) {
      const [a, b, c, d] = [p(i, j), p(i + 1, j), p(i + 1, j + 1), p(i, j + 1)];
      facets.push(...(out ? [[a, d, b], [b, d, c]] : [[a, b, d], [b, c, d]]).filter((f) =>
        new Set(f.map((q) => q.map((x) => x.toFixed(6)).join())).size === 3));
    }
    return (i) => p(i, 0);
  };
  const outer = ball(12, 0, true), inner = ball(11, 0.55, false);
  for (let i = 0; i < n; i++) {
    facets.push([outer(i), outer(i + 1), inner(i)], [inner(i), outer(i + 1), inner(i + 1)]);
  }
  const text = facets.map((f) => `facet normal 0 0 0\nouter loop\n${f.map((q) => `vertex ${q.join(" ")}`).join("\n")}\nendloop\nendfacet`);
  fs.writeFileSync(file, `solid shell\n${text.join("\n")}\nendsolid shell\n`);
}

// A closed box for parts to go into.
function room(file, [x, y, z]) {
  const p = (i) => [i & 1 ? x : 0, i & 2 ? y : 0, i & 4 ? z : 0];
  const sides = [[0, 2, 1], [1, 2, 3], [4, 5, 6], [5, 7, 6], [0, 1, 4], [1, 5, 4], [2, 6, 3], [3, 6, 7], [0, 4, 2], [2, 4, 6], [1, 3, 5], [3, 7, 5]];
  const text = sides.map((s) => `facet normal 0 0 0\nouter loop\n${s.map((i) => `vertex ${p(i).join(" ")}`).join("\n")}\nendloop\nendfacet`);
  fs.writeFileSync(file, `solid room\n${text.join("\n")}\nendsolid room\n`);
}

before(async () => {
  browser = await launch();
  const scan = at("viola <script>alert(1)<script> 'left\".stl");
  fs.copyFileSync(path.join(root, "sample-meshes/PIT-0413-viola-left.stl"), scan);
  const done = secondbend("vet", scan, "--order", "PIT-0413 \"<b>\"", "--quiet", "--page", at("vet.html"), "--json", at("vet.json"));
  assert.equal(done.code, 1);
  vet = JSON.parse(fs.readFileSync(at("vet.json"), "utf8"));
});
after(async () => {
  await browser?.close();
  fs.rmSync(dir, { recursive: true, force: true });
});

test("opens from disk, asks for nothing, says nothing on the console, draws the model", async () => {
  const { page, heard, asked, address, close } = await open(browser, at("vet.html"));
  assert.deepEqual(heard, []);
  assert.deepEqual(asked, [address]);
  assert.match(await page.textContent("h1"), /take it again/);
  assert.match(await page.textContent(".name"), /viola <script>alert\(1\)<script>/);
  const drawn = await pixels(page, model);
  assert.ok(differing(drawn, GROUND) > 0.1, "the model is not seen");
  await close();
});

test("turns with the pointer, moves with two fingers, zooms with the wheel", async () => {
  const { page, close } = await open(browser, at("vet.html"), { hasTouch: true });
  let last = await pixels(page, model);
  const box = await page.locator(model).boundingBox();
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 3];
  const changed = async (what) => {
    await settled(page);
    const now = await pixels(page, model);
    assert.ok(differing(now, last) > 0.01, what);
    last = now;
  };
  await page.mouse.move(x, y);
  await page.mouse.down();
  await page.mouse.move(x + 120, y + 40, { steps: 4 });
  await page.mouse.up();
  await changed("dragging");
  await page.mouse.wheel(0, -300);
  await changed("the wheel");
  const cdp = await page.context().newCDPSession(page);
  const touch = (type, points) => cdp.send("Input.dispatchTouchEvent", { type, touchPoints: points });
  await touch("touchStart", [{ x: x - 40, y, id: 1 }, { x: x + 40, y, id: 2 }]);
  await touch("touchMove", [{ x: x - 90, y: y + 30, id: 1 }, { x: x + 90, y: y + 30, id: 2 }]);
  await touch("touchMove", [{ x: x - 120, y: y + 50, id: 1 }, { x: x + 120, y: y + 50, id: 2 }]);
  await touch("touchEnd", []);
  await changed("two fingers");
  await page.click("#views button >> nth=1");
  await changed("a standard view");
  // However coarsely it was drawn on the way, at rest it is drawn with every dot there is.
  await page.waitForTimeout(400);
  const [dots, wide] = await page.locator(model).evaluate((c) => [c.width, Math.round(c.getBoundingClientRect().width * devicePixelRatio)]);
  assert.ok(dots >= wide, `${dots} dots on ${wide}`);
  await close();
});

test("the section's area is the report's within 1 % at every station", async () => {
  const { page, close } = await open(browser, at("vet.html"));
  const read = async (mm) => {
    await page.locator("#section").evaluate((e, v) => { e.value = v; e.dispatchEvent(new Event("input")); }, mm);
    await settled(page);
    const says = await page.textContent("#section-says");
    return [says.match(/([\d.]+) mm²/), says.match(/^(-?[\d.]+) mm/)].map((m) => Number(m?.[1]));
  };
  const stations = vet.canal.sections.filter((s, i) => i % 6 === 0);
  assert.ok(stations.length > 12);
  const before = await pixels(page, model);
  for (const s of stations) {
    const [area, where] = await read(s.at_mm);
    const want = s.area_mm2.value;
    // The slider goes in steps of 0.05 mm, and at the very tip areas fall by half in one of them.
    const fall = where > vet.canal.length_mm.value - 2 ? 12 * 0.05 : 0;
    assert.ok(Math.abs(area - want) <= 0.01 * want + fall, `${s.at_mm}: ${area} against ${want}`);
  }
  assert.ok(differing(await pixels(page, model), before) > 0.001, "the outline did not move");
  // A click on the plot moves the section there.
  const plot = page.locator("#plot-0 svg");
  await plot.scrollIntoViewIfNeeded();
  const box = await plot.boundingBox();
  await page.mouse.click(box.x + box.width / 2, box.y + box.height / 2);
  await settled(page);
  const says = await page.textContent("#plot-0 .says");
  const clicked = Number(says.match(/^(-?[\d.]+):/)[1]);
  assert.ok(Math.abs(Number(await page.inputValue("#section")) - clicked) < 0.06, says);
  await close();
});

test("the section is dragged along the canal by its handle", async () => {
  const { page, close } = await open(browser, at("vet.html"));
  const old = Number(await page.inputValue("#section"));
  const box = await page.locator(".handle").boundingBox();
  await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  await page.mouse.down();
  const tip = await page.locator(".labels .name", { hasText: "tip" }).boundingBox();
  await page.mouse.move(tip.x, tip.y, { steps: 5 });
  await page.mouse.up();
  await settled(page);
  assert.ok(Number(await page.inputValue("#section")) > old + 4);
  await close();
});

test("a finding leads to its place", async () => {
  const { page, close } = await open(browser, at("vet.html"));
  const finding = vet.checks.find((c) => c.id === "hole-in-seal-zone").findings[0];
  const old = await pixels(page, model);
  await page.click("button.go >> nth=0");
  await settled(page);
  assert.ok(differing(await pixels(page, model), old) > 0.05, "the view stood still");
  assert.ok(Math.abs(Number(await page.inputValue("#section")) - finding.at_mm) < 0.06);
  // Its number now stands in the middle of the view.
  const [number, stage] = [await page.locator(".labels .number >> nth=0").boundingBox(), await page.locator("#stage").boundingBox()];
  assert.ok(Math.abs(number.x + number.width / 2 - stage.x - stage.width / 2) < 3);
  assert.ok(Math.abs(number.y + number.height / 2 - stage.y - stage.height / 2) < 3);
  await close();
});

test("everything works with keys alone", async () => {
  const { page, close } = await open(browser, at("vet.html"));
  await page.focus(model);
  let last = await pixels(page, model);
  for (const key of ["ArrowLeft", "ArrowUp", "Shift+ArrowRight", "+", "2", "x", "t", "0"]) {
    await page.keyboard.press(key);
    await settled(page);
    const now = await pixels(page, model);
    assert.ok(differing(now, last) > 0.003, key);
    last = now;
  }
  const old = Number(await page.inputValue("#section"));
  await page.keyboard.press("]");
  await settled(page);
  assert.ok(Math.abs(Number(await page.inputValue("#section")) - old - 0.25) < 0.06);
  // Measuring: from the middle of the view to another middle.
  await page.keyboard.press("x");
  await page.keyboard.press("t");
  await page.keyboard.press("m");
  await page.keyboard.press("Enter");
  for (let i = 0; i < 3; i++) await page.keyboard.press("Shift+ArrowLeft");
  await page.keyboard.press("Enter");
  assert.match(await page.textContent("#reading"), /^Distance \d+\.\d\d mm$/);
  await page.focus("#plot-0 svg");
  await page.keyboard.press("ArrowRight");
  assert.match(await page.textContent("#plot-0 .says"), /mm²/);
  await close();
});

test("nothing serious for those who cannot see or point; readable at 360 px and at 4K", async () => {
  for (const [width, height] of [[1280, 900], [360, 740], [3840, 2160]]) {
    const { page, heard, close } = await open(browser, at("vet.html"), { viewport: { width, height }, bypassCSP: true });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok(wide <= width, `${width}: the page is ${wide} wide`);
    const drawn = await page.locator(model).boundingBox();
    assert.ok(drawn.width > 0.28 * width && drawn.height > 200, `${width}: ${JSON.stringify(drawn)}`);
    if (width < 3000) {
      await page.addScriptTag({ path: AXE });
      const found = await page.evaluate(() => globalThis.axe.run());
      const serious = found.violations.filter((v) => ["serious", "critical"].includes(v.impact));
      assert.deepEqual(serious.map((v) => `${v.id}: ${v.nodes.map((n) => n.target).join(" ")}`), []);
    }
    assert.deepEqual(heard, []);
    await close();
  }
});

test("prints as one sheet, also with many findings", async () => {
  for (const name of ["PIT-0413-viola-left.stl", "PIT-0431-celesta-left.stl", "PIT-0408-harp-left.ply"]) {
    secondbend("vet", path.join(root, "sample-meshes", name), "--quiet", "--page", at("print.html"));
    const { page, close } = await open(browser, at("print.html"));
    const pdf = (await page.pdf({ preferCSSPageSize: true, printBackground: true })).toString("latin1");
    assert.equal((pdf.match(/\/Type\s*\/Page\b(?!s)/g) || []).length, 1, name);
    await close();
  }
});

test("a shell's page: map, legend with the report's limit, histogram, two surfaces", async () => {
  shell(at("shell.stl"));
  secondbend("wall", at("shell.stl"), "--unit", "mm", "--quiet", "--page", at("wall.html"), "--json", at("wall.json"));
  const wall = JSON.parse(fs.readFileSync(at("wall.json"), "utf8"));
  const limit = wall.checks.find((c) => c.id === "wall-too-thin").limit;
  assert.ok(limit > 0.2);
  const { page, heard, asked, address, close } = await open(browser, at("wall.html"));
  assert.deepEqual([heard, asked], [[], [address]]);
  assert.equal(Number(await page.getAttribute(".limitsays", "data-limit-mm")), limit);
  assert.match(await page.textContent(".limitsays"), new RegExp(`under ${limit.toFixed(2)} mm`));
  // The mark stands where the limit lies on the bar.
  const [bar, mark] = [await page.locator(".legend .bar").boundingBox(), await page.locator(".limitline").boundingBox()];
  const ends = (await page.locator(".legend .ends span").allTextContents()).map(parseFloat);
  const read = ends[0] + ((mark.x + mark.width / 2 - bar.x) / bar.width) * (ends[1] - ends[0]);
  assert.ok(Math.abs(read - limit) < 0.02, `${read}`);
  const mapped = await pixels(page, model);
  await page.selectOption("#map", "-1");
  await settled(page);
  assert.ok(differing(await pixels(page, model), mapped) > 0.05, "the colours made no difference");
  await page.selectOption("#map", "0");
  await page.locator("label", { hasText: "outer surface" }).click();
  await settled(page);
  assert.ok(differing(await pixels(page, model), mapped) > 0.05, "hiding a surface made no difference");
  // 6 mm beside the middle, clear of the shaft, balls are cut in circles: r² = 12² - 6² and
  // 11² - (6 - 0.55)². Chords cut corners off: less, never more.
  const circles = [Math.PI * (144 - 36), Math.PI * (121 - 5.45 ** 2)];
  await page.locator("#section").evaluate((e) => { e.value = 18; e.dispatchEvent(new Event("input")); });
  await settled(page);
  const says = await page.textContent("#section-says");
  const [, area, hollow] = (says.match(/([\d.]+) mm², of it hollow ([\d.]+) mm²/) || []).map(Number);
  assert.ok(area > 0.985 * circles[0] && area <= circles[0] + 0.01, `${area} of ${circles[0]}`);
  assert.ok(hollow > 0.985 * circles[1] && hollow <= circles[1] + 0.06, `${hollow} of ${circles[1]}`);
  await close();
});

test("a stack's page: the parts are seen in the room, and it is traced to its files", async () => {
  room(at("room.stl"), [12, 9, 7]);
  fs.writeFileSync(at("stack.toml"), "clearance_mm = 0.15\nwall_clearance_mm = 0.25\n[[part]]\nname = \"low\"\nsize_mm = [7, 4, 3]\n[[part]]\nname = \"<i>high</i>\"\nsize_mm = [5, 3, 2]\n");
  const done = secondbend("fit", "--cavity", at("room.stl"), "--stack", at("stack.toml"), "--order", "PIT-0417", "--quiet", "--page", at("fit.html"), "--json", at("fit.json"), "--picture", at("fit.png"));
  assert.equal(done.code, 0, done.errors);
  const fit = JSON.parse(fs.readFileSync(at("fit.json"), "utf8"));
  const { page, heard, asked, address, close } = await open(browser, at("fit.html"));
  assert.deepEqual([heard, asked], [[], [address]]);
  const record = await page.textContent("footer");
  for (const input of fit.inputs) assert.ok(record.includes(input.sha256));
  assert.ok(record.includes("PIT-0417") && record.includes(fit.tool.version));
  const old = await pixels(page, model);
  await page.locator(".layers label", { hasText: "<i>high</i>" }).click();
  await settled(page);
  assert.ok(differing(await pixels(page, model), old) > 0.005, "hiding a part made no difference");
  assert.ok(fs.statSync(at("fit.png")).size > 5000);
  await close();
});

// Poses from the report, and what the page makes of them: at each pose the pose itself; half-way, a
// move that done twice is the whole step.
test("the way out: moves along the report's poses as a screw does, and the piece is seen to move", async () => {
  const scan = path.join(root, "sample-meshes/PIT-0402-oboe-left.stl");
  secondbend("undercut", scan, "--unit", "mm", "--no-relief", "--quiet", "--page", at("way.html"), "--json", at("way.json"), "--picture", at("way.png"));
  const told = JSON.parse(fs.readFileSync(at("way.json"), "utf8"));
  const poses = told.undercut.withdrawal.poses;
  const source = ["vectors", "motion"].map((n) => fs.readFileSync(path.join(root, `src/report/page/js/${n}.js`), "utf8"));
  const centre = [3, -2, 5];
  const motion = new Function(`${source.join("\n")}; return makeMotion;`)()({ poses }, centre);
  assert.equal(motion.steps, poses.length - 1);
  const put = ({ turn, shift }, p) => turn.map((row, i) => row.reduce((a, x, j) => a + x * p[j], 0) + shift[i]);
  const apart = (a, b) => Math.hypot(...a.map((x, i) => x - b[i]));
  const places = [[10, 4, -7], [-8, 9, 2], [0, 0, 20]];
  for (let k = 1; k <= motion.steps; k++) {
    for (const p of places) {
      const inFile = p.map((x, i) => x + centre[i]);
      const want = [0, 1, 2].map((i) => poses[k][i].slice(0, 3).reduce((a, x, j) => a + x * inFile[j], 0) + poses[k][i][3] - centre[i]);
      assert.ok(apart(put(motion.at(k), p), want) < 1e-6, `pose ${k}`);
      // Equal shares of a screw are equal moves: quarter to half as half to three quarters.
      const [a, b, c] = [0.25, 0.5, 0.75].map((s) => put(motion.at(k - 1 + s), p));
      assert.ok(Math.abs(apart(a, b) - apart(b, c)) < 1e-6, `between ${k - 1} and ${k}`);
    }
  }
  const { page, heard, asked, address, close } = await open(browser, at("way.html"));
  assert.deepEqual([heard, asked], [[], [address]]);
  assert.equal(Number(await page.getAttribute(".limitsays", "data-limit-mm")), told.undercut.limit_mm);
  const lying = await pixels(page, model);
  const to = async (share) => {
    await page.locator("#way").evaluate((e, s) => { e.value = s * e.max; e.dispatchEvent(new Event("input")); }, share);
    await settled(page);
    return pixels(page, model);
  };
  assert.ok(differing(await to(0.4), lying) > 0.05, "it did not move");
  assert.match(await page.textContent("#way-value"), /^pose [\d.]+ of \d+$/);
  assert.ok(differing(await to(0), lying) < 0.001, "it did not come back to where it lay");
  await page.focus("#way");
  await page.keyboard.press("ArrowRight");
  await settled(page);
  assert.notEqual(await page.textContent("#way-value"), "as it lies");
  assert.ok(fs.statSync(at("way.png")).size > 5000);
  await close();
});

test("a made shell's page: shell, scan, cavity and bores, with the report's limit on the legend", async () => {
  const scan = path.join(root, "sample-meshes/PIT-0401-oboe-right.stl");
  secondbend("shell", scan, "--unit", "mm", "--bores", "2", "--quiet", "--page", at("made.html"), "--json", at("made.json"));
  const made = JSON.parse(fs.readFileSync(at("made.json"), "utf8"));
  const { page, heard, asked, address, close } = await open(browser, at("made.html"));
  assert.deepEqual([heard, asked], [[], [address]]);
  const limit = made.checks.find((c) => c.id === "wall-too-thin").limit;
  assert.equal(Number(await page.getAttribute(".limitsays", "data-limit-mm")), limit);
  const names = await page.locator(".layers label").allTextContents();
  for (const name of ["shell, outside", "shell, inside", "scan", "cavity", "built up and trimmed", "bores"]) {
    assert.ok(names.includes(name), `${name} of ${names}`);
  }
  let last = await pixels(page, model);
  for (const name of ["scan", "shell, outside"]) {
    await page.locator(".layers label", { hasText: name }).first().click();
    await settled(page);
    const now = await pixels(page, model);
    assert.ok(differing(now, last) > 0.02, name);
    last = now;
  }
  const volume = made.shell.cavity_volume_mm3.value.toFixed(1);
  assert.ok((await page.textContent(".figures")).includes(volume), volume);
  await close();
});

test("deviation: built up by so much, the surface reads so much all along the canal", async () => {
  const scan = path.join(root, "sample-meshes/PIT-0401-oboe-right.stl");
  // 0.4 built up and 0.1 of stock to be polished off.
  secondbend("shell", scan, "--unit", "mm", "--build-up", "0.4", "--quiet", "--page", at("built.html"));
  const { page, heard, close } = await open(browser, at("built.html"));
  for (const label of await page.locator(".layers label").all()) {
    const name = await label.textContent(), box = label.locator("input");
    if (await box.isChecked() !== (name === "built up and trimmed")) await label.click();
  }
  await page.locator("#map").selectOption({ label: "deviation from the scan, outside +" });
  await settled(page);
  const [low, zero, high] = (await page.locator(".legend .ends span").allTextContents()).map(parseFloat);
  assert.ok(low === -high && zero === 0 && high >= 0.5, `${low} ${zero} ${high}`);
  // Along the middle of the view from the side, where the canal lies.
  await page.locator("#views button", { hasText: "the front" }).click();
  await settled(page);
  const box = await page.locator(model).boundingBox();
  const read = [];
  for (let k = 1; k < 40; k++) {
    await page.waitForTimeout(70); // figures are read no more often
    await page.mouse.move(box.x + (box.width * k) / 40, box.y + box.height / 2);
    const says = (await page.textContent("#reading")).match(/outside \+ (-?[\d.]+) mm( or less)?/);
    if (says) read.push({ mm: Number(says[1]), beyond: Boolean(says[2]) });
  }
  const built = read.filter((r) => Math.abs(r.mm - 0.5) < 0.015);
  assert.ok(built.length >= 8, JSON.stringify(read));
  // Elsewhere it was trimmed: within the scan, deeper than the scale goes for the most part.
  for (const r of read) assert.ok(r.mm < 0.515 && r.beyond === (r.mm <= low), JSON.stringify(r));
  assert.deepEqual(heard, []);
  await close();
});

test("a scan's stack: views of the ear, names apart from each other, tubes drawn once", async () => {
  const scan = path.join(root, "sample-meshes/PIT-0401-oboe-right.stl");
  const stack = path.join(root, "sample-meshes/stacks/two-way.toml");
  // With no time to search, the parts stand where they may; the page has to be as good.
  secondbend("fit", scan, "--stack", stack, "--seconds", "5", "--quiet", "--page", at("ear.html"));
  const { page, heard, close } = await open(browser, at("ear.html"));
  assert.deepEqual(heard, []);
  const views = await page.locator("#views button").allTextContents();
  assert.deepEqual(views, ["aslant", "outside", "the tip", "the front", "behind", "above", "below"]);
  for (const view of [0, 1, 3]) {
    await page.locator(`#views button >> nth=${view}`).click();
    await settled(page);
    const boxes = [];
    for (const name of await page.locator(".labels .name:visible").all()) boxes.push(await name.boundingBox());
    assert.ok(boxes.length >= 3, `${boxes.length} names`);
    boxes.forEach((a, i) => boxes.slice(0, i).forEach((b) => {
      const over = a.x < b.x + b.width && b.x < a.x + a.width && a.y < b.y + b.height - 1 && b.y < a.y + a.height - 1;
      assert.ok(!over, `view ${view}: ${JSON.stringify([a, b])}`);
    }));
  }
  assert.match(await page.textContent("#section-says"), /mm from the aperture/);
  await close();
});

test("an intake's index: sorts, filters, links its pages, and a bad file is one row", async () => {
  const tray = at("tray");
  fs.mkdirSync(tray);
  for (const name of ["PIT-0401-oboe-right.stl", "PIT-0402-oboe-left.stl", "PIT-0413-viola-left.stl"]) {
    fs.copyFileSync(path.join(root, "sample-meshes", name), path.join(tray, name));
  }
  fs.writeFileSync(path.join(tray, "A1-<img src=x>.stl"), "no mesh");
  assert.equal(secondbend("intake", tray, "--quiet").code, 2);
  const index = path.join(tray, "intake/index.html");
  const { page, heard, asked, address, close } = await open(browser, index);
  assert.deepEqual(heard, []);
  assert.deepEqual(asked.filter((u) => !u.startsWith("data:")), [address]);
  assert.equal(await page.locator("tbody tr").count(), 4);
  const shown = () => page.locator("tbody tr:visible th").allTextContents();
  await page.fill("#find", "oboe");
  assert.equal((await shown()).length, 2);
  await page.fill("#find", "");
  await page.selectOption("#only", "take it again");
  assert.deepEqual(await shown(), ["PIT-0413-viola-left.stl"]);
  await page.selectOption("#only", "");
  await page.click("thead button >> text=canal, mm");
  const lengths = (await page.locator("tbody tr td:nth-child(6)").allTextContents()).filter(Boolean).map(Number);
  assert.deepEqual(lengths, [...lengths].sort((a, b) => a - b));
  await page.click("tbody tr:has-text('viola') th a");
  assert.match(await page.textContent("h1"), /take it again/);
  await page.goBack();
  await close();
  const again = await open(browser, index, { bypassCSP: true });
  await again.page.addScriptTag({ path: AXE });
  const found = await again.page.evaluate(() => globalThis.axe.run());
  assert.deepEqual(found.violations.filter((v) => ["serious", "critical"].includes(v.impact)).map((v) => `${v.id}: ${v.nodes[0].html}`), []);
  await again.close();
});
