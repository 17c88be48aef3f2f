// What a search may try, as people write it. Pure.

/** A list with semicolons, or "90 to 100 psi by 2 psi"; the unit of the end stands for the others where they have none. */
export function valuesOf(text: string): string[] | { from: string; to: string; step: string } {
  const range = /^(.+?)\s+to\s+(.+?)\s+by\s+(.+)$/i.exec(text.trim());
  if (range) {
    const [from = '', to = '', step = ''] = range.slice(1).map((s) => s.trim());
    const unit = to.replace(/^[-+]?[\d.,]+\s*/, '');
    const whole = (s: string) => (/^[-+]?[\d.,]+$/.test(s) && unit !== '' ? `${s} ${unit}` : s);
    return { from: whole(from), to, step: whole(step) };
  }
  return text.split(';').map((v) => v.trim()).filter((v) => v !== '');
}
