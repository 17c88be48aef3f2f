// A table's cell as people read it: four figures of a value, two of an
// uncertainty, money to its hundredths, shares in per cent and times in words.
import type { Table, TableColumn } from '../api';
import { capital } from '../look/words';
import { convert, figureDisplay, fixed, showFigure, type UnitSystem } from '../units/units';

/** Whether a column of plain numbers holds shares of one. */
function isShare(table: Table, c: TableColumn): boolean {
  return c.unit === '1' && (/share|fraction/.test(c.name) || table.name.includes('coverage'));
}

/** The unit that heads a column; empty: a plain number, or each cell says its own. */
export function columnUnit(table: Table, i: number, system: UnitSystem): string {
  const c = table.columns[i];
  if (!c || c.unit === 's') return '';
  return isShare(table, c) ? '%' : figureDisplay(table.name, c.unit, system).unit;
}

export function cellText(table: Table, i: number, value: number, system: UnitSystem): string {
  const c = table.columns[i];
  if (!c) return '';
  if (c.unit === 's') return showFigure('', value, 's', undefined, system).value;
  if (isShare(table, c)) return table.name.includes('coverage') ? (Math.floor(value * 1000) / 10).toFixed(1) : fixed(value * 100, 1);
  if (c.unit === '1' && Number.isInteger(value)) return fixed(value, 0);
  const d = figureDisplay('', c.unit, system);
  const spread = c.name.startsWith('uncertainty');
  const shown = spread ? value * d.scale : convert(d, value); // a width has no offset
  if (shown === 0) return '0';
  if (/^[A-Z]{3}$/.test(c.unit)) return fixed(shown, 2);
  if (Math.abs(shown) < 0.0001) return '<0.0001';
  const figures = spread ? 2 : 4;
  return fixed(shown, Math.min(4, Math.max(0, figures - 1 - Math.floor(Math.log10(Math.abs(shown))))));
}

/** "Energy by state" */
export function titleOf(name: string): string {
  const words = name.replaceAll('_', ' ');
  return capital(words);
}
