// The status page in a headless Chromium: what it shows, that hostile text stays text, that it is usable by keyboard, on
// a phone, in the dark and by assistive programs. Usage: page_test.mjs BINARIES [NPM_MODULES [FOLDER_FOR_PICTURES]]
import assert from 'node:assert/strict';
import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Browser, eventually, missing } from './webdriver.mjs';
import { Recorder } from './recorder.mjs';

const [binaries, modules, pictures] = process.argv.slice(2);
const SKIPPED = 77;
const hostile = (what) => `${what} <img src=x onerror="window.taken=1"></td><script>window.taken=1</script>&amp;`;
const night = 'noise white 0.2\nlevel 5 for 20s\nlevel 25 for 2h\n';

const tests = [];
const test = (claim, body) => tests.push([claim, body]);
const text = (browser) => browser.run('return document.body.innerText');
const ready = (browser) => eventually('a curve is drawn', 15000, () => browser.run('return !!document.querySelector("svg.curve .mean")'));

async function picture(browser, name) {
  if (pictures) writeFileSync(join(pictures, `${name}.png`), await browser.picture());
}

test('it shows meter, power, run and level, and goes on by itself', async (browser, recorder) => {
  await browser.goto(recorder.url);
  await ready(browser);
  await eventually('a level with its uncertainty', 20000, async () => /\d ± 0?\.?\d+.* W/.test(await text(browser)));
  const shown = await text(browser);
  assert.match(shown, /recording/);
  assert.match(shown, /idle|plateau|unsteady|ramp/);
  const readings = () => browser.run('return [...document.querySelectorAll("dt")].find((d) => d.textContent === "Readings").nextSibling.textContent');
  const before = await readings();
  await eventually('more readings', 5000, async () => (await readings()) !== before);
  await eventually('the page says what it saw', 6000, () =>
    browser.run('return performance.getEntriesByType("resource").some((e) => e.name.includes("/live/seen?stream="))'));
});

test('names, notes and marks that are scripts stay text', async (browser, recorder) => {
  await eventually('the hostile run is shown', 15000, async () => (await text(browser)).includes(hostile('device')));
  await eventually('its mark is shown', 15000, async () => (await text(browser)).includes(hostile('mark')));
  const shown = await text(browser);
  for (const what of ['meter', 'device', 'note', 'mark']) assert.ok(shown.includes(hostile(what).slice(0, 64)), `${what} is not there as it was typed`);
  await eventually('the run list has it too', 5000, () =>
    browser.run('return [...document.querySelectorAll("#runs td")].some((d) => d.textContent === arguments[0])', hostile('device')));
  assert.equal(await browser.run('return window.taken'), null);
  assert.equal(await browser.run('return document.querySelectorAll("img").length'), 0);
  assert.equal(await browser.run('return document.scripts.length'), 1);
});

test('everything it fetches comes from the service, and the browser has nothing to complain of', async (browser, recorder) => {
  const fetched = await browser.run('return performance.getEntriesByType("resource").map((e) => e.name)');
  assert.ok(fetched.length >= 3);
  for (const url of fetched) assert.ok(url.startsWith(recorder.url), url);
  assert.deepEqual((await browser.log()).map((entry) => entry.message), []);
});

test('it holds still by keyboard alone and goes on again', async (browser) => {
  const pressed = () => browser.run('return document.getElementById("pause").getAttribute("aria-pressed")');
  await browser.press('\uE004');
  assert.equal(await browser.run('return document.activeElement.id'), 'pause');
  await browser.press(' ');
  assert.equal(await pressed(), 'true');
  assert.match(await text(browser), /Held still/);
  await browser.press(' ');
  assert.equal(await pressed(), 'false');
  await eventually('it goes on', 5000, async () => /meters recording/.test(await text(browser)));
});

for (const scheme of ['light', 'dark'])
  for (const width of [1100, 390])
    test(`${scheme}, ${width} pixels wide: nothing sticks out, no serious finding of axe-core`, async (browser) => {
      await browser.scheme(scheme);
      await browser.size(width, 1000);
      await eventually('it is laid out anew', 5000, () => browser.run('return innerWidth === arguments[0]', width));
      assert.ok(await browser.run('return document.documentElement.scrollWidth <= innerWidth'));
      await picture(browser, `page-${scheme}-${width}`);
      const axe = modules && join(modules, 'axe-core', 'axe.min.js');
      if (!axe || !existsSync(axe)) return 'axe-core is not here: accessibility NOT CHECKED';
      await browser.run(`${readFileSync(axe, 'utf8')}; window.axe = axe;`);
      const found = await browser.later('return (await axe.run()).violations.map((v) => [v.impact, v.id, v.nodes.map((n) => n.html)])');
      assert.ok(Array.isArray(found), found);
      assert.deepEqual(found.filter(([impact]) => impact === 'serious' || impact === 'critical'), []);
    });

test('the report of the hostile run opens from the list, and its script and style run under its policy', async (browser, recorder) => {
  await browser.log();
  await browser.run('document.querySelector("#runs a").click()');
  await eventually('the report', 10000, async () => /\/runs\/1$/.test(await browser.url()) && (await text(browser)).includes(hostile('device')));
  assert.equal(await browser.run('return window.taken'), null);
  assert.equal(await browser.run('return getComputedStyle(document.body).marginTop'), '0px'); // not the browser's 8 px
  assert.deepEqual((await browser.log()).map((entry) => entry.message), []);
  await picture(browser, 'report');
  await browser.goto(recorder.url);
  await ready(browser);
});

test('when the service ends, the page says so', async (browser, recorder) => {
  recorder.service.kill('SIGTERM');
  await eventually('the page says it', 10000, async () => /does not answer/.test(await text(browser)));
});

async function withToken(browser) {
  const token = '0123456789abcdef';
  const recorder = await Recorder.start(binaries, { script: night, page: `token = "${token}"` });
  try {
    const enter = async (word) => {
      await browser.run('document.getElementById("token").value = arguments[0]; document.querySelector("form button").click()', word);
      await eventually('an answer', 5000, () => browser.run('return document.readyState === "complete"'));
    };
    await browser.goto(recorder.url);
    assert.match(await text(browser), /wants its token/);
    await picture(browser, 'page-token');
    await enter('not the token at all');
    await eventually('it says no', 5000, async () => /was not the token/.test(await text(browser)));
    await enter(token);
    await ready(browser);
    assert.equal(await browser.url(), `${recorder.url}/`);
    assert.equal(await browser.run('return document.cookie'), '');
  } finally {
    await recorder.stop();
  }
}

async function main() {
  if (missing().length > 0) {
    console.log(`SKIPPED: no ${missing().join(', no ')} here to show the status page in; apt-get install chromium chromium-driver`);
    return SKIPPED;
  }
  const browser = await Browser.open();
  let failed = 0;
  const report = async (claim, body) => {
    try {
      console.log(`ok: ${claim}${await body().then((note) => (note ? ` (${note})` : ''))}`);
    } catch (error) {
      failed += 1;
      console.log(`FAILED: ${claim}\n${error.stack}`);
    }
  };
  const recorder = await Recorder.start(binaries, { script: night, meter: hostile('meter').slice(0, 64) });
  try {
    recorder.ask('begin', hostile('device'), '--note', hostile('note'));
    recorder.ask('mark', hostile('mark'));
    for (const [claim, body] of tests) await report(claim, () => body(browser, recorder));
  } finally {
    await recorder.stop();
  }
  await report('a token is asked for, refused where wrong, and gone from the address where right', () => withToken(browser));
  await browser.close();
  return failed === 0 ? 0 : 1;
}

process.exitCode = await main();
