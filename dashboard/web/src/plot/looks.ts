// How the lines of one lane differ: each by its stroke alone, so that colour only
// helps. look/palette.test.ts computes the colours under the colour-vision deficiencies.

export interface Style {
  /** name of the colour in look/tokens.css */
  colour: string;
  /** drawn and left out in turn, CSS px; empty: unbroken */
  dash: readonly number[];
  /** CSS px */
  weight: number;
}

const unbroken: readonly number[] = [];
const long: readonly number[] = [10, 4];
const dots: readonly number[] = [2, 3];
const mixed: readonly number[] = [9, 3, 2, 3];

export const looks: readonly Style[] = [
  { colour: '--line-1', dash: unbroken, weight: 1.75 },
  { colour: '--line-2', dash: long, weight: 1.75 },
  { colour: '--line-3', dash: dots, weight: 2 },
  { colour: '--line-4', dash: mixed, weight: 1.75 },
  { colour: '--line-5', dash: unbroken, weight: 3.25 },
  { colour: '--line-6', dash: long, weight: 3.25 },
  { colour: '--line-7', dash: dots, weight: 3.5 },
  { colour: '--line-8', dash: mixed, weight: 3.25 },
];

export const lookOf = (index: number): Style => looks[((index % looks.length) + looks.length) % looks.length] as Style;

/** A piece of a line, for a key; the words stand beside it. */
export function dashText(style: Style): string | undefined {
  return style.dash.length > 0 ? style.dash.join(' ') : undefined;
}
