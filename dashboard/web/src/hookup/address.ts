// Which part of the page, of which device and file: in the address.
import type { Site } from '../api';
import { href, place } from '../route';

export const parts = [
  { name: 'walk', title: 'The walk' },
  { name: 'registers', title: 'Registers' },
  { name: 'lines', title: 'Lines' },
  { name: 'files', title: 'Site file' },
] as const;

export type Part = (typeof parts)[number]['name'];

export function partOf(query: URLSearchParams): Part {
  return parts.find((p) => p.name === query.get('part'))?.name ?? 'walk';
}

/** The device that the address names; empty: all. */
export function deviceOf(site: Site, query: URLSearchParams): string {
  const name = query.get('device') ?? '';
  return site.devices.some((d) => d.name === name) ? name : '';
}

/** The address of this page with some of it changed. */
export function here(change: Record<string, string | undefined>): string {
  const query = new URLSearchParams(place.value.query);
  for (const [key, value] of Object.entries(change)) {
    if (value) query.set(key, value);
    else query.delete(key);
  }
  return href('hookup', query);
}
