// A recording service with a simulated meter and a status page, in a folder of its own.
import { spawn, spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { eventually, freePort } from './webdriver.mjs';

const profile = `protocol = "text-line"
line = { baud = 115200 }
interval_s = 1.0
[text-line]
form = "csv"
checksum = "xor"
[[read]]
quantity = "power"
field = 2
resolution = 0.01
accuracy = { percent = 0.5, floor = 0.02 }
`;

export class Recorder {
  static async start(binaries, { script, speed = 1, page = '', meter = 'bench' }) {
    const recorder = new Recorder();
    recorder.binaries = binaries;
    recorder.folder = mkdtempSync(join(tmpdir(), 'nightwatt-page-'));
    recorder.port = await freePort();
    recorder.url = `http://127.0.0.1:${recorder.port}`;
    recorder.write('meter.toml', profile);
    recorder.write('night.sim', script);
    recorder.write('nightwatt.toml', `[store]\npath = "night.db"\nflush_s = 0.5\n[control]\nsocket = "control.sock"\n`
      + `[page]\nlisten = "127.0.0.1:${recorder.port}"\n${page}\n`
      + `[[meter]]\nname = ${JSON.stringify(meter)}\nport = "port"\nprofile = "meter.toml"\nshortest_segment_s = 5\n`);
    recorder.sim = recorder.spawn('nightwatt-sim', ['--profile', recorder.path('meter.toml'), '--script',
      recorder.path('night.sim'), '--link', recorder.path('port'), '--speed', String(speed)]);
    await eventually('the simulated meter has a port', 10000, () => existsSync(recorder.path('port')));
    recorder.service = recorder.spawn('nightwattd', ['--config', recorder.path('nightwatt.toml'), '--foreground']);
    await eventually('the page answers', 10000, async () => (await fetch(recorder.url).catch(() => null)) !== null);
    return recorder;
  }

  path(name) { return join(this.folder, name); }
  write(name, text) { writeFileSync(this.path(name), text); }
  spawn(name, args) {
    const child = spawn(join(this.binaries, name), args, { stdio: ['ignore', 'ignore', 'pipe'] });
    child.said = '';
    child.stderr.on('data', (text) => { child.said += text; });
    return child;
  }
  ask(...words) {
    const done = spawnSync(join(this.binaries, 'nightwatt'), ['--config', this.path('nightwatt.toml'), ...words], { encoding: 'utf8' });
    if (done.status !== 0) throw new Error(`nightwatt ${words.join(' ')}: ${done.stderr}`);
    return done.stdout;
  }
  async stop() {
    for (const child of [this.service, this.sim]) {
      if (child === undefined || child.exitCode !== null) continue;
      const ended = new Promise((resolve) => child.once('exit', resolve));
      child.kill('SIGTERM');
      await ended;
    }
    rmSync(this.folder, { recursive: true, force: true });
  }
}
