// What a test waits for comes when the computer gets to it: within vitest's second on a
// quiet one, later where others work beside it. A wait that ends in vain fails all the same.
import { vi } from 'vitest';

const { waitFor } = vi;
vi.waitFor = (callback, options) => waitFor(callback, typeof options === 'number' ? options : { timeout: 15_000, ...options });
