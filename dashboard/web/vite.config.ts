import { defineConfig } from 'vite';

// The dist folder holds a tracked placeholder, so that the Go build works in a
// clone without Node: the build empties dist itself (scripts/clean.mjs) and
// spares that file. Nothing is inlined: the page runs under a policy that
// allows scripts, styles and images from its own address only.
export default defineConfig({
  base: '/',
  build: {
    emptyOutDir: false,
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    license: { fileName: '.vite/license.json' }, // which packages are in the pages, for cmd/release; not embedded
    target: 'es2022',
    rollupOptions: { input: ['index.html', 'new.html'] }, // new.html is served while there is no site yet
  },
  server: {
    proxy: { '/api': { target: 'http://127.0.0.1:8477', ws: true } },
  },
  test: {
    environment: 'node', // a test that needs a document says so at its head
    css: true, // or a stylesheet read as text is empty
    setupFiles: ['scripts/patience.mjs'],
    testTimeout: 30_000,
    include: ['src/**/*.test.{ts,tsx}', 'scripts/**/*.test.mjs'],
  },
} as Parameters<typeof defineConfig>[0]);
