// How words of the API are set: every page the same way.

/** A channel's id, "meter.power": a name that is written as it is. */
const beginsWithId = /^[\w-]+\.[\w-]/;

/** With a capital first letter. */
export const capital = (text: string): string => (beginsWithId.test(text) ? text : text.charAt(0).toUpperCase() + text.slice(1));

/** With a capital first letter and a stop at the end. */
export const sentence = (text: string): string => (/[.?!]$/.test(text) ? capital(text) : `${capital(text)}.`);

/** Why there is no reading, for people: the API's name of it is one for serial ports and network connections alike. */
export const reasonWords = (reason: string): string => (reason === 'port gone' ? 'port or connection lost' : reason);

/** "a", "a and b", "a, b and c" */
export function listed(names: string[]): string {
  return names.length < 2 ? names.join('') : `${names.slice(0, -1).join(', ')} and ${names.at(-1)}`;
}
