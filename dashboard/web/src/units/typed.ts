// Numbers as people type them.

/**
 * A number with a point or a comma before its fraction, thousands parted or not:
 * "21530.4", "21530,4", "21 530,4", "21,530.4". NaN: it is none, or it can be meant
 * in two ways: "12,345" is twelve thousand to some and twelve to others.
 */
export function typedNumber(text: string): number {
  const plain = text.trim().replace(/(\d)[ \u00a0\u202f](?=\d{3}(\D|$))/g, '$1');
  if (plain === '' || /^[-+]?[1-9]\d{0,2},\d{3}$/.test(plain)) return NaN;
  if (/^[-+]?[1-9]\d{0,2}(,\d{3})+\.\d+$/.test(plain) || /^[-+]?[1-9]\d{0,2}(,\d{3}){2,}$/.test(plain)) return Number(plain.replaceAll(',', ''));
  return /^[-+]?(\d+[.,]?\d*|[.,]\d+)$/.test(plain) ? Number(plain.replace(',', '.')) : NaN;
}
