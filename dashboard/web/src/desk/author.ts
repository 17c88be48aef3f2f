// The reader's name, kept in this browser under the key that notes use too.
const key = 'author';

export function storedAuthor(): string {
  try {
    return localStorage.getItem(key) ?? '';
  } catch {
    return ''; // storage may be forbidden
  }
}

export function sayAuthor(name: string): void {
  try {
    localStorage.setItem(key, name.trim());
  } catch {
    // then it is typed again next time
  }
}
