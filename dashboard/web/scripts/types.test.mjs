import { readFileSync } from 'node:fs';
import { resolve } from 'node:path';
import { describe, expect, it } from 'vitest';
import { generate } from './types.mjs';

const read = (path) => readFileSync(resolve(import.meta.dirname, path), 'utf8');

describe('types from the OpenAPI document', () => {
  it('are those that are committed (npm run types makes them)', () => {
    expect(read('../src/api/types.ts')).toBe(generate(JSON.parse(read('../../openapi.json'))));
  });

  it('cover what the document may say', () => {
    const text = generate({
      servers: [{ url: '/api/v1' }],
      components: { schemas: { 'a-b': { type: 'object', required: ['x'], properties: { x: { type: ['number', 'null'] }, 'y z': { enum: ['p', 'q'] } } } } },
      paths: { '/things': { get: { responses: { 200: { content: { 'application/json': { schema: { type: 'array', items: { $ref: '#/components/schemas/a-b' } } } } } } } } },
    });
    expect(text).toContain('export type AB = {\n  x: number | null;\n  "y z"?: "p" | "q";\n};');
    expect(text).toContain('"/api/v1/things": AB[];');
  });
});
