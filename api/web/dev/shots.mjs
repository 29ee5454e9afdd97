// Photographs every scene at three sizes, light and dark, and lets axe-core look for what shuts people out.
//   node dev/shots.mjs DIR [scene …]
// Exit status 1 when axe finds a violation, the console reports an error, or something that must be in view is not.

import { mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { chromium } from 'playwright-core';
import { FakeStation } from './fake-station.mjs';
import { scenes } from './scenes.mjs';

const [, , dir = 'shots', ...only] = process.argv;
const axeSource = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const sizes = [[800, 480], [390, 844], [1440, 900]];
const flags = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];
// Pages that are reached from the idle scene by a step.
const extra = { prepare: ['idle', async (p) => { await p.getByRole('button', { name: /Prepare a run/ }).click(); }],
  'prepare-blind': ['idle', async (p) => { await p.getByRole('button', { name: /Prepare a run/ }).click(); await p.getByLabel(/Nothing: go by an estimate/).check(); await p.getByText('At the joint').scrollIntoViewIfNeeded(); }],
  'run-blind': ['complete', async (p) => { await p.goto(`${p.url().split('#')[0]}#/runs/2`); }],
  runs: ['complete', async (p) => { await p.goto(`${p.url().split('#')[0]}#/runs`); }],
  people: ['elsewhere', async (p) => { await p.goto(`${p.url().split('#')[0]}#/people`); }],
  pair: ['stranger', async (p) => { await p.getByRole('button', { name: /Pair this browser/ }).click(); }],
  'pair-elsewhere': ['stranger', async (p) => { station.here = false; await p.getByRole('button', { name: /Pair this browser/ }).click(); }],
  shut: ['stranger', async (p) => { station.open = false; station.here = false; station.drop(false); await p.reload(); await p.waitForTimeout(400); station.open = true; }],
  run: ['complete', async (p) => { await p.goto(`${p.url().split('#')[0]}#/runs/5`); }], view: ['idle', async (p) => { await p.getByText('View', { exact: true }).click(); }] };

mkdirSync(dir, { recursive: true });
const station = new FakeStation();
const port = await station.listen(0);
const browser = await chromium.launch({ executablePath: '/usr/bin/chromium', args: flags });
let bad = 0;
const complain = (where, what) => { bad++; console.log(`${where}: ${what}`); };

for (const name of [...Object.keys(scenes), ...Object.keys(extra)]) {
  if (only.length > 0 && !only.includes(name)) continue;
  for (const [width, height] of sizes) {
    for (const look of ['light', 'dark']) await shoot(name, width, height, look);
  }
}
await browser.close();
await station.close();
console.log(bad === 0 ? 'nothing found' : `${bad} found`);
process.exit(bad === 0 ? 0 : 1);

async function shoot(name, width, height, look) {
  const where = `${name} ${width}×${height} ${look}`;
  station.show(extra[name]?.[0] ?? name);
  const context = await browser.newContext({ viewport: { width, height }, colorScheme: look, bypassCSP: false });
  const page = await context.newPage();
  page.on('console', (m) => { if (m.type() === 'error') complain(where, `console: ${m.text()}`); });
  page.on('pageerror', (e) => complain(where, `error: ${e.message}`));
  page.on('request', (r) => { if (!r.url().includes(`127.0.0.1:${port}`)) complain(where, `asks elsewhere: ${r.url()}`); });
  await page.goto(`http://127.0.0.1:${port}/`);
  await page.waitForTimeout(700);
  if (extra[name]) { await extra[name][1](page); await page.waitForTimeout(500); }
  if (scenes[name]?.silent) await page.waitForTimeout(1800);
  await page.screenshot({ path: join(dir, `${name}-${width}-${look}.png`) });
  await inView(page, where, name, height);
  await axe(page, where);
  if (look === 'light') {
    const tall = await page.evaluate(() => document.documentElement.scrollHeight);
    if (tall > height) await page.screenshot({ path: join(dir, `${name}-${width}-${look}-full.png`), fullPage: true });
  }
  await context.close();
}

// What must be visible without scrolling, whole and above the rail; nothing may push the page wider than the screen.
async function inView(page, where, name, height) {
  const must = ['#stop-button'];
  if (scenes[name]) must.push('.said', '.huge', '.canvas');
  if (name === 'lift' || name === 'melting') must.push('.lift-bar');
  for (const what of must) {
    const box = await page.locator(what).first().boundingBox();
    if (!box) complain(where, `${what} is not there`);
    else if (box.y < 0 || box.y + box.height > height - (what === '#stop-button' ? 0 : 90)) complain(where, `${what} ends at ${Math.round(box.y + box.height)} of ${height}`);
  }
  const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  if (over > 0) complain(where, `is ${over} px too wide`);
  const small = await page.evaluate(() => [...document.querySelectorAll('button, summary, nav a, label, input[type=text], .run-list a')]
    .map((e) => [e.textContent || e.className, e.getBoundingClientRect()])
    .filter(([, r]) => r.width > 0 && (r.height < 43.5 || r.width < 43.5)).map(([t, r]) => `${t} ${Math.round(r.width)}×${Math.round(r.height)}`));
  for (const s of small) complain(where, `too small to press: ${s}`);
}

async function axe(page, where) {
  // Through the debugger, so that the page keeps its content security policy.
  await page.evaluate(axeSource);
  const found = await page.evaluate(() => globalThis.axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }));
  for (const v of found.violations) complain(where, `axe ${v.id}: ${v.nodes.map((n) => `${n.target} ${n.failureSummary.split('\n')[1] ?? ''}`).slice(0, 3).join(' | ')}`);
}
