// The theme's colours as a canvas wants them.
import type { Rgb } from './raster';

/** Left and right room that all parts of a plot share, so that times line up. */
export const leftPx = 46;
export const rightPx = 10;

export const innerPx = (width: number): number => Math.max(1, width - leftPx - rightPx);

/** The theme's colours, read anew for each drawing: asking the document for each is slow. */
export class Ink {
  private readonly style = getComputedStyle(document.documentElement);
  private readonly known = new Map<string, Rgb>();

  constructor(private readonly ctx: CanvasRenderingContext2D) {}

  css(name: string): string {
    return this.style.getPropertyValue(name).trim() || '#808080';
  }

  /** As three numbers; the canvas itself translates words like CanvasText. */
  rgb(name: string): Rgb {
    let rgb = this.known.get(name);
    if (!rgb) {
      const css = this.css(name);
      this.ctx.fillStyle = css;
      const told = this.ctx.fillStyle as unknown;
      const n = parseInt((typeof told === 'string' && told.startsWith('#') ? told : css).slice(1, 7), 16);
      rgb = Number.isFinite(n) ? [(n >> 16) & 255, (n >> 8) & 255, n & 255] : [128, 128, 128];
      this.known.set(name, rgb);
    }
    return rgb;
  }
}
