// Makes src/api/types.ts from dashboard/openapi.json, so that the page's types
// are the API's. Covers the JSON Schema that the document uses: objects, arrays,
// enums, const, unions (oneOf, anyOf, allOf, type lists), additionalProperties
// and $ref to components. Anything else becomes unknown, which the compiler
// will not let the page use unseen.
import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

const documentFile = new URL('../../openapi.json', import.meta.url);
const typesFile = new URL('../src/api/types.ts', import.meta.url);

const isName = (s) => /^[A-Za-z_$][\w$]*$/.test(s);
const typeName = (s) => s.replace(/(^|[^A-Za-z0-9]+)([A-Za-z0-9])/g, (_, __, c) => c.toUpperCase());
const key = (s) => (isName(s) ? s : JSON.stringify(s));

function comment(text, indent) {
  if (!text) return '';
  return `${indent}/** ${text.replace(/\*\//g, '* /').replace(/\s*\n\s*/g, ' ').trim()} */\n`;
}

function union(parts) {
  return [...new Set(parts)].join(' | ') || 'unknown';
}

function objectType(schema, indent) {
  const inner = indent + '  ';
  const required = new Set(schema.required ?? []);
  const properties = Object.entries(schema.properties ?? {});
  const extra = schema.additionalProperties;
  if (properties.length === 0) {
    const value = extra && extra !== true ? toType(extra, indent) : 'unknown';
    return `Record<string, ${value}>`;
  }
  const lines = properties.map(
    ([name, p]) =>
      `${comment(p.description, inner)}${inner}${key(name)}${required.has(name) ? '' : '?'}: ${toType(p, inner)};\n`,
  );
  return `{\n${lines.join('')}${indent}}`;
}

function tupleOrArray(schema, indent) {
  if (schema.prefixItems) return `[${schema.prefixItems.map((s) => toType(s, indent)).join(', ')}]`;
  const item = toType(schema.items ?? {}, indent);
  if (schema.minItems === 2 && schema.maxItems === 2) return `[${item}, ${item}]`;
  return /[|&]/.test(item) && !item.startsWith('{') ? `(${item})[]` : `${item}[]`;
}

function toType(schema, indent) {
  if (schema === true || schema === undefined) return 'unknown';
  if (schema.$ref) return typeName(schema.$ref.split('/').pop());
  if (schema.const !== undefined) return JSON.stringify(schema.const);
  if (schema.enum) return union(schema.enum.map((v) => JSON.stringify(v)));
  const choices = schema.oneOf ?? schema.anyOf;
  if (choices) return union(choices.map((s) => toType(s, indent)));
  if (schema.allOf) return schema.allOf.map((s) => toType(s, indent)).join(' & ');
  if (Array.isArray(schema.type)) return union(schema.type.map((type) => toType({ ...schema, type }, indent)));
  switch (schema.type) {
    case 'string':
      return 'string';
    case 'integer':
    case 'number':
      return 'number';
    case 'boolean':
      return 'boolean';
    case 'null':
      return 'null';
    case 'array':
      return tupleOrArray(schema, indent);
    case 'object':
      return objectType(schema, indent);
    default:
      return schema.properties ? objectType(schema, indent) : 'unknown';
  }
}

/** Turns an OpenAPI 3.1 document into the text of src/api/types.ts. */
export function generate(doc) {
  let out = '// Made by scripts/types.mjs from dashboard/openapi.json. Change that document, not this file.\n';
  for (const [name, schema] of Object.entries(doc.components?.schemas ?? {})) {
    out += `\n${comment(schema.description, '')}export type ${typeName(name)} = ${toType(schema, '')};\n`;
  }
  out += '\n/** What a GET of each path answers with, as JSON. */\nexport interface Answers {\n';
  const base = (doc.servers?.[0]?.url ?? '').replace(/\/$/, '');
  for (const [path, item] of Object.entries(doc.paths ?? {})) {
    const content = item.get?.responses?.['200']?.content?.['application/json'];
    if (!content?.schema) continue;
    const full = path.startsWith('/api/') || !base.startsWith('/') ? path : base + path;
    out += `  ${JSON.stringify(full)}: ${toType(content.schema, '  ')};\n`;
  }
  return out + '}\n';
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  if (existsSync(documentFile)) {
    const text = generate(JSON.parse(readFileSync(documentFile, 'utf8')));
    if (!existsSync(typesFile) || readFileSync(typesFile, 'utf8') !== text) writeFileSync(typesFile, text);
  } else {
    console.error('types: dashboard/openapi.json is missing; src/api/types.ts stays as it is');
  }
}
