// How words of the API are set: every page the same way.

/** With a capital first letter. */
export const capital = (text: string): string => text.charAt(0).toUpperCase() + text.slice(1);

/** With a capital first letter and a stop at the end. */
export const sentence = (text: string): string => (/[.?!]$/.test(text) ? capital(text) : `${capital(text)}.`);

/** "a", "a and b", "a, b and c" */
export function listed(names: string[]): string {
  return names.length < 2 ? names.join('') : `${names.slice(0, -1).join(', ')} and ${names.at(-1)}`;
}
