// The sheet as its reader meets it: keys, fingers, screen readers, paper, and bad words.

import assert from "node:assert/strict";
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { launch, open, PAGES } from "./browser.mjs";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const DESKTOP = { viewport: { width: 1200, height: 900 } };
const PHONE = { viewport: { width: 375, height: 740 }, deviceScaleFactor: 2, isMobile: true, hasTouch: true };

let browser;
before(async () => { browser = await launch(); });
after(() => browser.close());

/** A page with what the lot draws written down beside the page, where the page cannot see it. */
async function openTrial(options = {}) {
  const drawn = [];
  const opened = await open(browser, "job", options);
  await opened.page.exposeFunction("drawnByLot", (value) => drawn.push(value & 1));
  await opened.page.evaluate(() => {
    const real = crypto.getRandomValues.bind(crypto);
    crypto.getRandomValues = (list) => {
      real(list);
      window.drawnByLot(list[0]);
      return list;
    };
  });
  return { ...opened, drawn };
}

/** Plays a whole trial with so many right answers, by keys alone. */
async function playTrial({ page, drawn }, rounds, right) {
  await page.selectOption("#trial-rounds", String(rounds));
  drawn.length = 0;
  await page.locator("#trial-rounds").blur();
  await page.keyboard.press("t");
  for (let round = 1; round <= rounds; round += 1) {
    await page.waitForFunction((n) => document.getElementById("trial-round").textContent === String(n), round);
    while (drawn.length < round) await page.waitForTimeout(5);
    const truth = drawn[round - 1];
    const guess = round <= right ? truth : 1 - truth;
    await page.keyboard.press(["1", "2", "3"][round % 3]);
    await page.keyboard.press(guess === 0 ? "f" : "s");
  }
  await page.locator("#trial-end").waitFor();
  assert.equal(drawn.length, rounds, "one lot a round");
  return { sentence: await page.textContent("#trial-result"), chance: await page.textContent("#trial-chance") };
}

test("blind trials are counted right, with the exact chance of guessing", async () => {
  const opened = await openTrial();
  // One-sided binomial, p = 1/2, exact; computed apart from this program (Python, fractions).
  const cases = [
    [8, 7, "0.035156"], [10, 8, "0.054688"], [10, 9, "0.010742"], [12, 10, "0.019287"],
    [16, 11, "0.105057"], [16, 12, "0.038406"], [20, 14, "0.057659"], [20, 15, "0.020695"],
  ];
  for (const [rounds, right, chance] of cases) {
    const result = await playTrial(opened, rounds, right);
    assert.equal(result.chance, `Right: ${right} of ${rounds}. Chance by guessing alone: ${chance}.`);
    assert.match(result.sentence, new RegExp(`^You were right in ${right} of ${rounds} rounds\\.`));
    assert.match(result.sentence, Number(chance) <= 0.05 ? /very probably do hear/ : /does not show that you hear/);
  }
  assert.deepEqual(opened.faults, []);
  await opened.context.close();
});

test("the exact chance holds for long trials too", async () => {
  const source = readFileSync(new URL("../../src/page/assets/binomial.js", import.meta.url), "utf8");
  const chance = new Function(`${source}; return chanceOfGuessing;`)();
  const table = [[18, 25, 0.021643], [20, 30, 0.049369], [32, 50, 0.032454], [59, 100, 0.044313], [13, 16, 0.010635], [14, 16, 0.00209]];
  for (const [right, rounds, expected] of table) assert.ok(Math.abs(chance(right, rounds) - expected) < 5e-7);
  assert.equal(chance(0, 10), 1);
});

test("nothing on the page tells what is hidden, and both halves of the lot come up", async () => {
  const seen = [];
  const sides = new Set();
  for (const secret of [0, 1]) {
    const opened = await open(browser, "job", {});
    await opened.page.evaluate((value) => {
      crypto.getRandomValues = (list) => { list[0] = value; return list; };
    }, secret);
    await opened.page.keyboard.press("t");
    await opened.page.waitForFunction(() => document.getElementById("play-word").textContent === "Pause");
    await opened.page.keyboard.press("1");
    await opened.page.keyboard.press("3");
    // Everything the page shows or holds, but the clock and what follows it.
    seen.push(await opened.page.evaluate(() => {
      for (const id of ["now", "seek"]) document.getElementById(id).remove();
      document.querySelector(".strip .head").removeAttribute("transform");
      const shown = [...document.querySelectorAll(".wave.shown")].length;
      const ticked = [...document.querySelectorAll("input:checked")].map((input) => `${input.name}=${input.value}`);
      return `${shown} ${ticked} ${document.body.innerHTML}`;
    }));
    await opened.context.close();
  }
  assert.ok(seen[0] === seen[1], "the page is the same whichever is hidden");
  const opened = await openTrial();
  for (let n = 0; n < 3; n += 1) await playTrial(opened, 10, 5);
  opened.drawn.forEach((side) => sides.add(side));
  await playTrial(opened, 20, 10);
  opened.drawn.forEach((side) => sides.add(side));
  assert.equal(sides.size, 2);
  await opened.context.close();
});

test("a trial that is broken off counts for nothing", async () => {
  const opened = await openTrial();
  const { page } = opened;
  await page.keyboard.press("t");
  await page.keyboard.press("f");
  assert.ok(await page.locator("input[name=voice-0]").first().isDisabled());
  await page.click("#trial-stop");
  assert.ok(await page.locator("#trial-plan").isVisible());
  assert.ok(!(await page.locator("#trial-end").isVisible()));
  assert.ok(await page.locator("input[name=voice-0]").first().isEnabled());
  assert.match(await page.textContent("#said"), /counts for nothing/);
  // Two times the same version is no trial.
  await page.selectOption("#trial-second", "0");
  await page.click("#trial-start");
  assert.ok(!(await page.locator("#trial-run").isVisible()));
  assert.deepEqual(opened.faults, []);
  await opened.context.close();
});

test("everything can be done with the keyboard alone", async () => {
  const { page, faults, context } = await open(browser, "job", DESKTOP);
  const reached = new Set();
  for (let n = 0; n < 80; n += 1) {
    await page.keyboard.press("Tab");
    const name = await page.evaluate(() => {
      const now = document.activeElement;
      return now === document.body ? "" : now.id || now.name || now.dataset.reading || (now.dataset.dialReading && "dial") || now.tagName;
    });
    reached.add(name);
  }
  for (const name of ["play", "clip", "seek", "loop", "loop-from", "loop-to", "loop-whole", "voice-0", "loudness", "lift", "keys-on", "trial-first", "trial-second", "trial-rounds", "trial-start", "0", "1", "dial", "SUMMARY", "answer", "remark", "letter", "copy", "mail"]) {
    assert.ok(reached.has(name), `the tab key never came to ${name}: ${[...reached]}`);
  }
  await page.evaluate(() => document.activeElement.blur());
  const chosen = () => page.evaluate(() => document.querySelector("fieldset.choices:not([hidden]) input:checked").value);
  await page.keyboard.press("3");
  assert.equal(await chosen(), "2");
  for (const expected of ["4", "5", "6", "4"]) {
    await page.keyboard.press("d");
    assert.equal(await chosen(), expected);
  }
  await page.keyboard.press("n");
  assert.equal(await page.evaluate(() => document.querySelector("input[name=clip]:checked").value), "1");
  assert.equal(await page.textContent("#whole"), "0:03.0");
  await page.keyboard.press("n");
  await page.keyboard.press("m");
  assert.ok(await page.isChecked("input[value=asLoud]"));
  await page.keyboard.press("m");
  await page.keyboard.press("u");
  assert.ok(await page.isChecked("#lift"));
  await page.keyboard.press("ArrowRight");
  await page.keyboard.press("ArrowRight");
  await page.keyboard.press("[");
  await page.keyboard.press("ArrowRight");
  await page.keyboard.press("]");
  assert.deepEqual([await page.inputValue("#loop-from"), await page.inputValue("#loop-to")], ["2.0", "3.0"]);
  assert.ok(await page.isChecked("#loop"));
  await page.keyboard.press("Home");
  assert.equal(await page.textContent("#now"), "0:02.0");
  await page.keyboard.press("l");
  assert.ok(!(await page.isChecked("#loop")));
  await page.keyboard.press("w");
  assert.equal(await page.inputValue("#loop-to"), "6.0");
  await page.keyboard.press(" ");
  await page.waitForFunction(() => document.getElementById("play-word").textContent === "Pause");
  await page.keyboard.press(" ");
  await page.waitForFunction(() => document.getElementById("play-word").textContent === "Play");
  // Arrows in the list of versions choose; the space bar there still plays.
  await page.focus("input[name=voice-0]:checked");
  await page.keyboard.press("1");
  await page.focus("input[name=voice-0]:checked");
  await page.keyboard.press("ArrowDown");
  assert.equal(await chosen(), "1");
  await page.keyboard.press(" ");
  await page.waitForFunction(() => document.getElementById("play-word").textContent === "Pause");
  await page.keyboard.press(" ");
  // Keys stay out of what is typed, and can be switched off.
  await page.focus("#remark");
  await page.keyboard.type("2 mdl [w] n");
  assert.equal(await page.inputValue("#remark"), "2 mdl [w] n");
  assert.equal(await chosen(), "1");
  await page.evaluate(() => document.activeElement.blur());
  await page.uncheck("#keys-on");
  await page.evaluate(() => document.activeElement.blur());
  await page.keyboard.press("4");
  assert.equal(await chosen(), "1");
  assert.deepEqual(faults, []);
  await context.close();
});

test("a stretch is drawn on the strip, and a tap goes there", async () => {
  const { page, faults, context } = await open(browser, "job", DESKTOP);
  const box = await page.locator("#strip").boundingBox();
  const at = (share) => [box.x + 1 + (box.width - 2) * share, box.y + box.height / 2];
  await page.mouse.click(...at(0.5));
  assert.equal(await page.textContent("#now"), "0:03.0");
  await page.mouse.move(...at(0.25));
  await page.mouse.down();
  await page.mouse.move(...at(0.4), { steps: 5 });
  await page.mouse.move(...at(0.5), { steps: 5 });
  await page.mouse.up();
  assert.ok(await page.isChecked("#loop"));
  const [from, to] = [await page.inputValue("#loop-from"), await page.inputValue("#loop-to")].map(Number);
  assert.ok(Math.abs(from - 1.5) < 0.11 && Math.abs(to - 3) < 0.11, `${from} to ${to}`);
  assert.deepEqual(faults, []);
  await context.close();
});

for (const [name, options] of [
  ["desktop", DESKTOP],
  ["dark", { ...DESKTOP, colorScheme: "dark" }],
  ["phone", PHONE],
  ["phone-dark", { ...PHONE, colorScheme: "dark" }],
]) {
  test(`no barrier found by axe-core, nothing too wide, and a picture: ${name}`, async () => {
    const { page, faults, context } = await open(browser, "job", options);
    await page.screenshot({ path: join(PAGES, `${name}.png`), fullPage: true });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    assert.ok(wide <= 0, `${wide} px too wide`);
    const check = async () => {
      // Through the debugger, so that the page's policy stays in force.
      const violations = await page.evaluate(`${AXE}; axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }).then((found) => found.violations.map((v) => v.id + ": " + v.nodes.map((n) => n.target + " " + n.failureSummary).join(" | ")))`);
      assert.deepEqual(violations, []);
    };
    // First with everything opened that can be, then within a trial, then after it.
    const closed = page.locator("details:not([open]) > summary");
    for (let left = await closed.count(); left > 0; left -= 1) await closed.first().click();
    await page.click("label.pick:has-text('proposed') >> nth=0");
    await check();
    await page.click("#trial-start");
    await check();
    for (let n = 0; n < 10; n += 1) await page.click("#trial-is-first");
    await check();
    await page.screenshot({ path: join(PAGES, `${name}-used.png`), fullPage: true });
    const small = await page.evaluate(() => [...document.querySelectorAll("button, .button, .pick, .tick, .choice, select, summary, input[type=number], input[type=range]")]
      .filter((element) => element.checkVisibility())
      .filter((element) => element.getBoundingClientRect().height < 44)
      .map((element) => element.id || element.textContent || element.className));
    assert.deepEqual(small, [], "every target is 44 px high or more");
    assert.deepEqual(faults, []);
    await context.close();
  });
}

test("fingers: versions and plots answer to a tap", async () => {
  const { page, faults, context } = await open(browser, "job", PHONE);
  await page.locator(".choice:visible").nth(2).tap();
  assert.ok(await page.locator("input[name=voice-0][value='2']").isChecked());
  const plot = page.locator("figure.plot").first();
  await plot.locator("svg.narrow").tap();
  assert.match(await plot.locator("output").textContent(), /Hz: as received .* dB; stock .* dB/);
  assert.ok(!(await plot.locator("svg.wide").isVisible()));
  const dials = page.locator("figure.dials");
  await dials.locator("svg").tap();
  assert.match(await dials.locator("output").textContent(), /^12:00 \(5\) above: beyond what that knob can do$/);
  assert.deepEqual(faults, []);
  await context.close();
});

test("values are read off the curves as they are", async () => {
  const { page, faults, context } = await open(browser, "job", DESKTOP);
  const plot = page.locator("figure.plot").nth(1);
  const { hz, series } = await page.evaluate(() => JSON.parse(document.getElementById("job").textContent).plots[1]);
  const svg = plot.locator("svg.wide");
  await svg.scrollIntoViewIfNeeded();
  const box = await svg.boundingBox();
  const { left, span, low, high } = await svg.evaluate((element) => ({ ...element.dataset }));
  for (const index of [10, 60, 120]) {
    const x = Number(left) + Number(span) * (Math.log(hz[index] / low) / Math.log(high / low));
    await page.mouse.move(box.x + (x / 720) * box.width, box.y + box.height / 2);
    const text = await plot.locator("output").textContent();
    const shown = Number(/([\d.]+) k?Hz/.exec(text)[1]) * (text.includes("kHz") ? 1000 : 1);
    assert.ok(Math.abs(shown / hz[index] - 1) < 0.006, `${text} at ${hz[index]}`);
    for (const { name, db } of series) {
      const level = new RegExp(`${name} ([+\u2212]?)([\\d.]+) dB`).exec(text);
      const value = Number(level[2]) * (level[1] === "\u2212" ? -1 : 1);
      assert.ok(Math.abs(value - db[index]) < 0.051, `${text}: ${db[index]}`);
    }
  }
  const slider = plot.locator("input[type=range]");
  await slider.focus();
  await page.keyboard.press("Home");
  await page.keyboard.press("ArrowRight");
  assert.match(await slider.getAttribute("aria-valuetext"), new RegExp(`^${hz[1].toFixed(1)} Hz`));
  assert.deepEqual(faults, []);
  await context.close();
});

test("pairs of positions are read off the two scales", async () => {
  const { page, faults, context } = await open(browser, "job", DESKTOP);
  const dials = page.locator("figure.dials");
  const rows = await page.evaluate(() => JSON.parse(document.getElementById("job").textContent).dials[0]);
  const svg = dials.locator("svg");
  await svg.scrollIntoViewIfNeeded();
  const box = await svg.boundingBox();
  const { left, span } = await svg.evaluate((element) => ({ ...element.dataset }));
  const width = await svg.evaluate((element) => element.viewBox.baseVal.width);
  for (const row of rows) {
    const x = Number(left) + (row.here / 10) * Number(span);
    await page.mouse.move(box.x + (x / width) * box.width, box.y + box.height / 2);
    assert.equal(await dials.locator("output").textContent(), row.words);
  }
  assert.match(rows[2].words, /^9:00 \(2\) above, 12:00 \(5\) below: left over 0\.8\sdB, below is \+0\.2\sdB in level$/);
  const slider = dials.locator("input[type=range]");
  await slider.focus();
  await page.keyboard.press("Home");
  await page.keyboard.press("ArrowRight");
  assert.equal(await slider.getAttribute("aria-valuetext"), rows[1].words);
  const places = async (path) => (await path.getAttribute("d")).match(/[\d.]+/g).map((n) => Math.round(n * 10) / 10);
  assert.deepEqual(await places(dials.locator(".cursor")), await places(dials.locator(".join").nth(1)));
  assert.deepEqual(faults, []);
  await context.close();
});

test("the answer says which job, which version and where the knobs stand", async () => {
  const { page, faults, context } = await open(browser, "job", { ...DESKTOP, permissions: ["clipboard-read", "clipboard-write"] });
  await page.locator("input[name=answer][value='3']").check();
  const knob = page.locator(".setting input").nth(3);
  await knob.focus();
  await page.keyboard.press("ArrowLeft");
  await page.keyboard.press("ArrowLeft");
  await page.fill("#remark", "A little less, please.\nAnd \"soon\" & quietly?");
  const letter = await page.inputValue("#letter");
  const digest = await page.evaluate(() => JSON.parse(document.getElementById("job").textContent).digest);
  assert.equal(letter, [
    "Answer to the audition sheet: Tamarack 22: less mud, earlier edge",
    "Amplifier: Tamarack 22 W, two controls and a fixed middle",
    `Job digest: ${digest}`,
    "I choose: proposed",
    "Knobs: Volume 12:00 (5), Treble 1:00 (6), Bass 11:00 (4), Middle 1:30 (6.5)",
    "Remark: A little less, please.\nAnd \"soon\" & quietly?",
  ].join("\n"));
  assert.match(digest, /^[0-9a-f]{4}(-[0-9a-f]{4}){3}$/);
  assert.ok((await page.textContent(".head")).includes(digest));
  const mail = new URL(await page.getAttribute("#mail", "href"));
  assert.equal(mail.protocol + mail.pathname, "mailto:bench@larkspur.example");
  assert.equal(mail.searchParams.get("body").replaceAll("\r\n", "\n"), letter);
  await page.click("#copy");
  await page.waitForFunction(() => document.getElementById("copied").textContent === "Copied.");
  assert.equal((await page.evaluate(() => navigator.clipboard.readText())).replaceAll("\r\n", "\n"), letter);
  await page.evaluate(() => { navigator.clipboard.writeText = () => Promise.reject(new Error("no")); });
  await page.fill("#remark", "again");
  await page.click("#copy");
  await page.waitForFunction(() => document.getElementById("copied").textContent !== "");
  assert.equal(await page.textContent("#copied"), "Copied.");
  assert.match(await page.evaluate(() => navigator.clipboard.readText()), /Remark: again$/);
  assert.deepEqual(faults, []);
  await context.close();
});

test("text from a job stays text, in every place", async () => {
  const bad = "</script><script>broken=1</script><img src=x onerror=\"broken=1\">'\"&<!--{{script}}";
  for (const name of ["hostile", "hostile-all"]) {
    const { page, faults, context } = await open(browser, name, DESKTOP);
    assert.equal(await page.textContent("h1"), bad);
    assert.equal(await page.title(), bad);
    await page.locator("input[name=answer][value='3']").check();
    assert.ok((await page.inputValue("#letter")).startsWith(`Answer to the audition sheet: ${bad}\n`));
    await page.locator("figure.plot svg.wide").first().hover();
    await page.click("#trial-start");
    await page.keyboard.press("f");
    assert.equal(await page.evaluate(() => typeof window.broken), "undefined");
    assert.equal(await page.locator("img").count(), 0);
    assert.deepEqual(faults, []);
    await context.close();
  }
});

test("the policy lets nothing else run and nothing out", async () => {
  const { page, context } = await open(browser, "job", { offline: false });
  const tried = await page.evaluate(async () => {
    const blocked = [];
    document.addEventListener("securitypolicyviolation", (event) => blocked.push(event.effectiveDirective));
    const script = document.createElement("script");
    script.textContent = "window.intruder = 1";
    document.body.append(script);
    document.body.insertAdjacentHTML("beforeend", "<p id=p style='color: red' onclick='window.intruder = 1'>x</p><img src='http://127.0.0.1:9/x.png'>");
    document.getElementById("p").click();
    await fetch("http://127.0.0.1:9/x").catch(() => {});
    await new Promise((done) => setTimeout(done, 200));
    return { blocked, intruder: typeof window.intruder };
  });
  assert.equal(tried.intruder, "undefined");
  for (const directive of ["script-src-elem", "script-src-attr", "style-src-attr", "img-src", "connect-src"]) {
    assert.ok(tried.blocked.includes(directive), `${directive}: ${tried.blocked}`);
  }
  await context.close();
});

test("a page without clips or curves shows what it has", async () => {
  const { page, faults, context } = await open(browser, "bare", DESKTOP);
  await page.locator("input[name=answer][value='0']").check();
  assert.match(await page.inputValue("#letter"), /I choose: only/);
  assert.deepEqual(faults, []);
  await context.close();
});

test("those who want no motion get none", async () => {
  const { page, faults, context } = await open(browser, "job", { reducedMotion: "reduce" });
  const durations = await page.evaluate(() => [...document.querySelectorAll("*")]
    .map((element) => getComputedStyle(element).transitionDuration)
    .filter((duration) => duration !== "0s"));
  assert.deepEqual(durations, []);
  await page.evaluate(() => {
    window.moves = 0;
    new MutationObserver((list) => { window.moves += list.length; })
      .observe(document.querySelector(".strip .head"), { attributes: true });
  });
  await page.click("#play");
  await page.waitForFunction(() => document.getElementById("now").textContent > "0:00.4", null);
  await page.evaluate(() => { window.moves = 0; window.since = performance.now(); });
  await page.waitForTimeout(2000);
  const [moves, waited] = await page.evaluate(() => [window.moves, (performance.now() - window.since) / 1000]);
  assert.ok(moves >= 1 && moves <= 2 * waited + 1, `${moves} moves in ${waited} seconds`);
  assert.deepEqual(faults, []);
  await context.close();
});

test("on paper it is two pages, with the work and the curves and without the fields", async () => {
  const { page, faults, context } = await open(browser, "job", DESKTOP);
  for (const format of ["A4", "Letter"]) {
    const pdf = await page.pdf({ format, preferCSSPageSize: false, path: join(PAGES, `${format}.pdf`) });
    const pages = pdf.toString("latin1").match(/\/Type\s*\/Page\b(?!s)/g);
    assert.equal(pages.length, 2, format);
  }
  await page.emulateMedia({ media: "print" });
  for (const id of ["listen", "trial", "answer"]) assert.ok(!(await page.locator(`#${id}`).isVisible()), id);
  for (const part of ["#work .changes", ".plot svg.wide", "#caution", ".break-up table", ".dials svg"]) {
    assert.ok(await page.locator(part).first().isVisible(), part);
  }
  assert.deepEqual(faults, []);
  await context.close();
});
