// @vitest-environment node
// What is exported is used by another file, or nobody sees when it is dead: of what
// is not exported the compiler tells (noUnusedLocals).
import { expect, it } from 'vitest';

const sources = import.meta.glob<string>(['../**/*.ts', '../**/*.tsx', '!../api/types.ts'], { query: '?raw', import: 'default', eager: true });

it('exports nothing that no other file names', () => {
  const files = Object.entries(sources);
  expect(files.length).toBeGreaterThan(150);
  const words = files.map(([path, text]) => [path, new Set(text.match(/\w+/g))] as const);
  const unused = files.flatMap(([path, text]) => [...text.matchAll(/^export (?:async )?(?:function|const|let|class|interface|type) (\w+)/gm)]
    .map((m) => m[1] ?? '').filter((name) => !words.some(([other, all]) => other !== path && all.has(name))).map((name) => `${path}: ${name}`));
  expect(unused).toEqual([]);
});
