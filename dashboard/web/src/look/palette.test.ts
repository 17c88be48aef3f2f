// The state colours under protanopia, deuteranopia and tritanopia.
// Simulation: Machado, Oliveira, Fernandes, "A Physiologically-based Model for
// Simulation of Color Vision Deficiency", IEEE TVCG 2009, matrices of severity 1.0
// (from memory; each row sums to 1, which is checked). Distance: CIE 1976 L*a*b*
// with the D65 white of sRGB (IEC 61966-2-1, from memory).
import { describe, expect, it } from 'vitest';
import { looks } from '../plot/looks';
import css from './tokens.css?raw';

type Vec = [number, number, number];

const visions: Record<string, Vec[]> = {
  normal: [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
  protanopia: [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
  deuteranopia: [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]],
  tritanopia: [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.3039]],
};
const toXyz: Vec[] = [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.072175], [0.0193339, 0.119192, 0.9503041]];
const white: Vec = [0.95047, 1, 1.08883];

const mul = (m: Vec[], v: Vec): Vec => m.map((r) => r[0] * v[0] + r[1] * v[1] + r[2] * v[2]) as Vec;

function linear(hex: string): Vec {
  return [1, 3, 5].map((i) => {
    const c = parseInt(hex.slice(i, i + 2), 16) / 255;
    return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  }) as Vec;
}

function lab(rgb: Vec): Vec {
  const f = (t: number) => (t > 216 / 24389 ? Math.cbrt(t) : (t * 24389) / 27 / 116 + 16 / 116);
  const [x, y, z] = mul(toXyz, rgb.map((c) => Math.min(1, Math.max(0, c))) as Vec).map((c, i) => f(c / (white[i] ?? 1))) as Vec;
  return [116 * y - 16, 500 * (x - y), 200 * (y - z)];
}

function luminance(hex: string): number {
  return mul(toXyz, linear(hex))[1];
}

function contrast(a: string, b: string): number {
  const [hi, lo] = [luminance(a), luminance(b)].sort((x, y) => y - x) as [number, number];
  return (hi + 0.05) / (lo + 0.05);
}

function tokens(block: string): Map<string, string> {
  return new Map([...block.matchAll(/--([\w-]+):\s*(#[0-9a-f]{6})/g)].map((m) => [m[1] ?? '', m[2] ?? '']));
}

const blocks = css.split('}').filter((b) => b.includes('--state-loaded'));
const themes: [string, Map<string, string>][] = [
  ['light', tokens(blocks[0] ?? '')],
  ['dark', tokens(blocks[1] ?? '')],
];

/** Two patches side by side are told apart without doubt from about ten units on (common practice, no source). */
const enough = 10;

describe('palette', () => {
  it('has simulation matrices that keep white white', () => {
    for (const m of Object.values(visions)) for (const row of m) expect(row[0] + row[1] + row[2]).toBeCloseTo(1, 5);
  });

  it('finds red and green of equal lightness alike without red or green cones', () => {
    // Guards the simulation itself: a check that could not fail would be worthless.
    const [red, green] = [linear('#b35a00'), linear('#6f7a00')];
    const distance = (v: string) => {
      const m = visions[v] as Vec[];
      const [a, b] = [lab(mul(m, red)), lab(mul(m, green))];
      return Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
    };
    expect(distance('normal')).toBeGreaterThan(3 * distance('deuteranopia'));
  });

  it('is the same in the dark by system and by choice', () => {
    expect(blocks.length).toBe(3);
    expect([...tokens(blocks[2] ?? '')]).toEqual([...tokens(blocks[1] ?? '')]);
  });

  for (const [theme, all] of themes) {
    const states = [...all].filter(([name]) => name.startsWith('state-'));
    for (const [vision, matrix] of Object.entries(visions)) {
      it(`keeps state colours apart: ${theme}, ${vision}`, () => {
        expect(states.length).toBe(8); // unobserved is drawn as bare hatching
        const close: string[] = [];
        states.forEach(([a, hexA], i) => states.slice(i + 1).forEach(([b, hexB]) => {
          const [p, q] = [lab(mul(matrix, linear(hexA))), lab(mul(matrix, linear(hexB)))];
          const d = Math.hypot(p[0] - q[0], p[1] - q[1], p[2] - q[2]);
          if (d < enough) close.push(`${a} and ${b}: ${d.toFixed(1)}`);
        }));
        expect(close).toEqual([]);
      });
    }

    // The lines of a plot are told apart by stroke first (below). Of one dash there are two
    // weights: those two must differ in colour too, as must lines that follow each other.
    for (const [vision, matrix] of Object.entries(visions)) {
      it(`keeps lines apart that a stroke alone might not: ${theme}, ${vision}`, () => {
        const seen = looks.map((l) => lab(mul(matrix, linear(all.get(l.colour.slice(2)) ?? ''))));
        const close: string[] = [];
        looks.forEach((a, i) => looks.forEach((b, j) => {
          const near = j === i + 1 || (j > i && a.dash === b.dash);
          const [p, q] = [seen[i], seen[j]];
          if (!near || !p || !q) return;
          const d = Math.hypot(p[0] - q[0], p[1] - q[1], p[2] - q[2]);
          if (!(d >= enough)) close.push(`${a.colour} and ${b.colour}: ${d.toFixed(1)}`);
        }));
        expect(close).toEqual([]);
      });
    }

    it(`has lines that stand out from the paper: ${theme}`, () => {
      // WCAG 2.2, 1.4.11: 3 to 1.
      for (const l of looks) expect(contrast(all.get(l.colour.slice(2)) ?? '', all.get('paper') ?? ''), l.colour).toBeGreaterThanOrEqual(3);
    });

    it(`has readable text: ${theme}`, () => {
      // WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for what carries meaning.
      const of = (name: string) => all.get(name) ?? '';
      for (const ground of ['paper', 'sheet', 'band', 'air-wash']) {
        for (const text of ['ink', 'muted']) expect(contrast(of(text), of(ground)), `${text} on ${ground}`).toBeGreaterThanOrEqual(4.5);
      }
      for (const line of ['air', 'power', 'edge']) expect(contrast(of(line), of('paper')), line).toBeGreaterThanOrEqual(3);
      expect(contrast(of('warn'), of('warn-wash'))).toBeGreaterThanOrEqual(4.5);
      expect(contrast(of('ink'), of('warn-wash'))).toBeGreaterThanOrEqual(4.5);
    });
  }

  it('tells eight lines apart without any colour', () => {
    // Weights within a dash differ by more than half again, which is seen side by side (common practice, no source).
    expect(looks.length).toBe(8);
    looks.forEach((a, i) => looks.slice(i + 1).forEach((b) => {
      const ratio = Math.max(a.weight, b.weight) / Math.min(a.weight, b.weight);
      expect(a.dash.join() !== b.dash.join() || ratio > 1.5, `${a.colour} and ${b.colour}`).toBe(true);
    }));
  });
});
