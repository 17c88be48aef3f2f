import { useEffect, useState } from 'preact/hooks';

/** The last value that stayed the same for so long; the first at once. key tells values apart. */
export function useSettled<T>(value: T, key: string, ms: number): T {
  const [settled, setSettled] = useState({ key, value });
  useEffect(() => {
    if (settled.key === key) return undefined;
    const timer = setTimeout(() => setSettled({ key, value }), ms);
    return () => clearTimeout(timer);
  }, [key, settled.key]);
  return settled.value;
}
