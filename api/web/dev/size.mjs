// Fails when the first load of the page weighs more than it may: everything in dist that index.html asks for, gzipped.

import { readdirSync, readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { gzipSync } from 'node:zlib';

const LIMIT = 80_000; // bytes; the budget of the design notes, 80 kB with k = 1000

const dist = fileURLToPath(new URL('../dist', import.meta.url));
let sum = 0;

function weigh(dir) {
  for (const name of readdirSync(dir)) {
    const path = join(dir, name);
    if (statSync(path).isDirectory()) { weigh(path); continue; }
    if (name === 'placeholder.html') continue; // only there when the page is not
    const size = gzipSync(readFileSync(path), { level: 6 }).length;
    sum += size;
    console.log(`${String(size).padStart(7)}  ${path.slice(dist.length + 1)}`);
  }
}

weigh(dist);
console.log(`${String(sum).padStart(7)}  first load, gzip; at most ${LIMIT}`);
if (!(sum > 0 && sum <= LIMIT)) {
  console.error(`dist: the first load is ${sum} bytes; allowed: 1 to ${LIMIT}`);
  process.exit(1);
}
