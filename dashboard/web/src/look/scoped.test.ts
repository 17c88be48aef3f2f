// A page's styles come when it is opened and stay: what does not lie below the page
// itself changes the pages that are opened after it.
import { expect, it } from 'vitest';

const styles = import.meta.glob<string>('../*/*.css', { query: '?raw', import: 'default', eager: true });
// What all pages share, and what is the only page of its document.
const shared = ['plot', 'newsite']; // beside this folder

/** The selectors of a sheet that stand below nothing but @media and the like. */
function outermost(css: string): string[] {
  const found: string[] = [];
  const open: boolean[] = []; // whether each block around is a rule
  let text = '';
  for (const c of css.replaceAll(/\/\*[^]*?\*\//g, '')) {
    if (c === '{') {
      const head = text.trim();
      const rule = !head.startsWith('@');
      if (rule && !open.includes(true)) found.push(...head.split(',').map((s) => s.trim()));
      open.push(rule);
    }
    if (c === '}') open.pop();
    text = '{};'.includes(c) ? '' : text + c;
  }
  return found;
}

it('finds what stands outermost', () => {
  expect(outermost('/* { */ .a, .b { color: red; .c { top: 0 } }\n@media print { .d { top: 0 } } @page { margin: 0; } .e{}')).toEqual(['.a', '.b', '.d', '.e']);
});

it('keeps the styles of each page below its own', () => {
  const pages = Object.entries(styles).filter(([path]) => path.startsWith('../') && !shared.includes(path.split('/')[1] ?? ''));
  expect(pages.length).toBeGreaterThan(8);
  for (const [path, css] of pages) {
    for (const selector of outermost(css)) {
      if (selector.startsWith(':where(main[data-page=')) continue;
      const root = /^(?::root:has\()?(\.[\w-]+)/.exec(selector)?.[1];
      expect(root, `${path}: ${selector} is of every page`).toBeDefined();
      const own = new RegExp(`\\${root}(?![\\w-])`);
      const others = Object.entries(styles).filter(([other, text]) => other !== path && own.test(text)).map(([other]) => other);
      expect(others, `${path}: ${selector} stands below no page of its own, and ${others.join(', ')} has such an element`).toEqual([]);
    }
  }
});
