// How the page is built. The result goes to dist/, which the Go program embeds.
import { readdirSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { defineConfig } from 'vite';

const dist = join(import.meta.dirname ?? new URL('.', import.meta.url).pathname, 'dist');

// The placeholder is committed so that `go build` works where npm never ran; Vite's own emptying would delete it.
const keepPlaceholder = {
  name: 'keep-placeholder',
  buildStart() {
    let there = [];
    try {
      there = readdirSync(dist);
    } catch {
      return; // first build
    }
    for (const name of there) {
      if (name !== 'placeholder.html') rmSync(join(dist, name), { recursive: true });
    }
  },
};

export default defineConfig({
  plugins: [keepPlaceholder],
  oxc: { jsx: { runtime: 'automatic', importSource: 'preact' } },
  build: {
    outDir: 'dist',
    emptyOutDir: false,
    // The oldest browser worth serving is the one on a shop's touch panel; these came out in 2021–2022.
    target: ['es2022', 'chrome100', 'firefox102', 'safari16'],
    assetsInlineLimit: 0, // data: URLs would need a hole in the content security policy
    modulePreload: { polyfill: false },
  },
  server: { proxy: { '/api': { target: 'http://127.0.0.1:8420', ws: true } } },
});
