// Drives a headless Chromium through chromedriver, by the W3C's WebDriver protocol: no more of it than the tests need.
import { spawn, spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

export const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

// The first true thing that `condition` gives; an error with `what` after `limitMs`.
export async function eventually(what, limitMs, condition) {
  const end = Date.now() + limitMs;
  for (;;) {
    const found = await condition();
    if (found) return found;
    if (Date.now() > end) throw new Error(`waited ${limitMs} ms in vain: ${what}`);
    await wait(50);
  }
}

export function freePort() {
  return new Promise((resolve) => {
    const probe = createServer().listen(0, '127.0.0.1', () => {
      const { port } = probe.address();
      probe.close(() => resolve(port));
    });
  });
}

export function missing() {
  return ['chromium', 'chromedriver'].filter((name) => spawnSync('which', [name]).status !== 0);
}

export class Browser {
  static async open(more = []) {
    const browser = new Browser();
    browser.folder = mkdtempSync(join(tmpdir(), 'nightwatt-browser-'));
    const port = await freePort();
    browser.base = `http://127.0.0.1:${port}`;
    browser.driver = spawn('chromedriver', [`--port=${port}`], { stdio: 'ignore' });
    await eventually('chromedriver answers', 20000,
      async () => (await fetch(`${browser.base}/status`).catch(() => null))?.ok);
    const args = ['--headless', '--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
      '--disable-background-networking', '--disable-component-update', '--disable-sync',
      `--user-data-dir=${join(browser.folder, 'profile')}`, ...more];
    const made = await browser.call('POST', '/session', {
      capabilities: { alwaysMatch: { browserName: 'chrome', 'goog:chromeOptions': { args },
        'goog:loggingPrefs': { browser: 'ALL' } } },
    });
    browser.session = `/session/${made.sessionId}`;
    return browser;
  }

  async call(method, path, body) {
    const answer = await fetch(this.base + path, { method, body: body === undefined ? undefined : JSON.stringify(body) });
    const { value } = await answer.json();
    if (!answer.ok) throw new Error(`${path}: ${value.error}: ${value.message}`);
    return value;
  }

  goto(url) { return this.call('POST', `${this.session}/url`, { url }); }
  url() { return this.call('GET', `${this.session}/url`); }
  // `script` is the body of a function; its result comes back.
  run(script, ...args) { return this.call('POST', `${this.session}/execute/sync`, { script, args }); }
  // The body of an async function.
  later(script, ...args) {
    return this.call('POST', `${this.session}/execute/async`, {
      script: `const done = arguments[arguments.length - 1];
        (async (...args) => { ${script} })(...[...arguments].slice(0, -1)).then(done, (e) => done(String(e)));`, args,
    });
  }
  log() { return this.call('POST', `${this.session}/se/log`, { type: 'browser' }); }
  devtools(cmd, params) { return this.call('POST', `${this.session}/goog/cdp/execute`, { cmd, params }); }
  size(width, height) {
    return this.devtools('Emulation.setDeviceMetricsOverride', { width, height, deviceScaleFactor: 1, mobile: width < 600 });
  }
  scheme(value) {
    return this.devtools('Emulation.setEmulatedMedia', { features: [{ name: 'prefers-color-scheme', value }] });
  }
  async picture() {
    const { data } = await this.devtools('Page.captureScreenshot', { format: 'png', captureBeyondViewport: true });
    return Buffer.from(data, 'base64');
  }
  press(key) {
    return this.call('POST', `${this.session}/actions`, { actions: [{ type: 'key', id: 'keys',
      actions: [{ type: 'keyDown', value: key }, { type: 'keyUp', value: key }] }] });
  }

  async close() {
    if (this.session) await this.call('DELETE', this.session).catch(() => {});
    this.driver.kill();
    rmSync(this.folder, { recursive: true, force: true, maxRetries: 10, retryDelay: 100 });
  }
}
