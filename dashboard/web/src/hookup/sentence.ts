// What the page says first: which lines and devices answer.
import type { Site } from '../api';
import type { View } from '../live/live';

export interface Said {
  text: string;
  /** what mends it, as the API says it */
  mends: { who: string; detail: string }[];
}

const list = (names: string[]) => (names.length < 2 ? (names[0] ?? '') : `${names.slice(0, -1).join(', ')} and ${names[names.length - 1]}`);

/** Devices whose line is down are not named beside it. */
export function hookupSentence(site: Site, view: View): Said {
  if (view.connection !== 'live') return { text: 'Not known: no contact with loadscribe.', mends: [] };
  const lines = [...view.lines.values()].filter((l) => !l.up);
  const devices = [...view.devices.values()].filter((d) => !d.up && !lines.some((l) => l.line === d.line));
  const mends = [...lines.map((l) => ({ who: l.line, detail: l.detail })), ...devices.map((d) => ({ who: d.device, detail: d.detail }))];
  if (view.devices.size === 0) return { text: site.devices.length === 0 ? 'No device is named in the site file.' : 'No device is polled: what they recorded is imported.', mends };
  const asked = view.devices.size === 1 ? `${[...view.devices.keys()][0]} answers.` : 'Every device answers.';
  if (mends.length === 0) {
    const partly = [...view.devices.values()].filter((d) => d.detail !== '');
    if (partly.length === 0) return { text: asked, mends };
    return { text: `${asked} Not all of ${list(partly.map((d) => d.device))} can be read.`, mends: partly.map((d) => ({ who: d.device, detail: d.detail })) };
  }
  const said = [];
  if (lines.length > 0) said.push(lines.length === 1 ? `Line ${list(lines.map((l) => l.line))} is down.` : `Lines ${list(lines.map((l) => l.line))} are down.`);
  if (devices.length > 0) said.push(devices.length === 1 ? `${list(devices.map((d) => d.device))} does not answer.` : `${list(devices.map((d) => d.device))} do not answer.`);
  return { text: said.join(' '), mends };
}
