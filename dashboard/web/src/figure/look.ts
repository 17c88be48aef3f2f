// From a figure to the readings behind it: the view of Trace that shows them.
import type { Figure, Site } from '../api';
import { traceHref } from '../trace/address';

/** What a figure is about: a machine or a system, by name. */
export interface Subject {
  machine?: string;
  system?: string;
}

/** At most so many channels are shown at first: more are not read together. */
const most = 4;

/** The channels that a figure's inputs name. */
export function channelsOf(site: Site, figure: Figure): string[] {
  const inputs = figure.inputs ?? [];
  return site.channels.filter((c) => inputs.some((i) => i === c.id || i.startsWith(`${c.id} `))).map((c) => c.id);
}

/** The address in Trace of a figure's readings over its window, Unix ms. */
export function lookAt(site: Site, subject: Subject, figure: Figure, from: number, to: number): string {
  return traceHref({ channels: channelsOf(site, figure).slice(0, most), machines: subject.machine ? [subject.machine] : [], from, to });
}
