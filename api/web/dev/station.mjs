// Runs a whole removal on a real station through the page, as a person would, and takes pictures on the way.
// Usage: node dev/station.mjs URL DIR [trip]
import { chromium } from 'playwright-core';
import { mkdirSync } from 'node:fs';

const [url, dir, want] = process.argv.slice(2);
mkdirSync(dir, { recursive: true });
const browser = await chromium.launch({
  executablePath: '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});
const sizes = [[800, 480], [1440, 900], [390, 844]];
const page = await (await browser.newContext({ viewport: { width: 800, height: 480 } })).newPage();
const seen = [];
page.on('console', (m) => m.type() === 'error' && seen.push(m.text()));
page.on('pageerror', (e) => seen.push(String(e)));
page.on('request', (r) => !r.url().startsWith(url.replace(/\/$/, '')) && !r.url().startsWith('ws') && seen.push('foreign request ' + r.url()));

const state = async () => (await fetch(url + 'api/v1/state')).json();
const until = async (what, test, most = 240_000) => {
  for (const end = Date.now() + most; Date.now() < end; ) {
    const s = await state();
    if (test(s)) return s;
    await new Promise((r) => setTimeout(r, 50));
  }
  throw new Error('never: ' + what);
};
const shots = async (name) => {
  for (const [width, height] of sizes) {
    await page.setViewportSize({ width, height });
    await page.waitForTimeout(400);
    await page.screenshot({ path: `${dir}/${name}-${width}.png` });
  }
  await page.setViewportSize({ width: 800, height: 480 });
};

const t0 = Date.now();
await page.goto(url);
await page.waitForSelector('h1');
await shots('stranger');
await page.getByRole('button', { name: /pair this browser/i }).click();
await page.getByRole('button', { name: 'Use this code' }).click();
await page.getByText(/^Paired as/).waitFor();
await shots('people');
await page.getByRole('link', { name: 'Now' }).click();
await page.getByRole('button', { name: /prepare a run/i }).waitFor();
await shots('idle');
await page.getByRole('button', { name: /prepare a run/i }).click();
await shots('prepare');
const start = page.getByRole('button', { name: /hold to start/i });
await start.scrollIntoViewIfNeeded();
const box = await start.boundingBox();
await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
await page.mouse.down();
await page.waitForTimeout(600);
await page.mouse.up();
await page.waitForTimeout(300);
if ((await state()).state !== 'idle') throw new Error('a short press started the run');
await page.mouse.down();
await page.waitForTimeout(1900);
await page.mouse.up();
await until('running', (s) => s.state === 'running', 5000);
console.log('started by press-and-hold');
if (want === 'trip') {
  await until('tripped', (s) => s.trip_id !== 0);
  await until('aborted', (s) => s.state === 'aborted');
  await shots('trip');
} else {
  await until('soak', (s) => s.run && /soak/i.test(s.run.segment) && s.run.segment_left_s < 40);
  await shots('soak');
  await until('lift window', (s) => s.lift.open);
  await page.waitForTimeout(200);
  await page.screenshot({ path: `${dir}/lift-800.png` });
  await page.setViewportSize({ width: 1440, height: 900 });
  await page.waitForTimeout(250);
  await page.screenshot({ path: `${dir}/lift-1440.png` });
  await page.getByRole('button', { name: /part is off/i }).click();
  await until('lift confirmed', (s) => s.lift.confirmed, 5000);
  await until('complete', (s) => s.state === 'complete');
  await page.waitForTimeout(1200);
  await shots('complete');
}
const s = await state();
console.log(JSON.stringify({ state: s.state, ended: s.ended, verdict: s.run?.verdict, sentence: s.sentence, seconds: (Date.now() - t0) / 1000, complaints: seen }));
await browser.close();
