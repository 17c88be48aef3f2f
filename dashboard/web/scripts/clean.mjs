// Empties dist before a build, but for the tracked placeholder.
import { mkdirSync, readdirSync, rmSync } from 'node:fs';

const dist = new URL('../dist/', import.meta.url);
mkdirSync(dist, { recursive: true });
for (const name of readdirSync(dist)) {
  if (name !== 'placeholder.txt') rmSync(new URL(name, dist), { recursive: true });
}
