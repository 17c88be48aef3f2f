// How the plot knows what it shows.
import type { Site, SiteChannel } from '../api';
import { instrumentText } from '../figure/figure';
import { Known } from '../figure/known';

const method = 'The line is the mean of the readings in each part of the time, and the band around it reaches from the lowest to the highest of them, so that no spike is lost however much time is shown. Close enough, each reading is drawn by itself. Between two readings the line is straight; after three of a channel’s own periods without one it is broken and the paper hatched';

export function PlotKnown({ site, channels }: { site: Site; channels: SiteChannel[] }) {
  const behind = site.instruments.filter((i) => channels.some((c) => (i.channels ? i.channels.includes(c.id) : i.subject === c.device)));
  return (
    <Known
      title="the plot"
      facts={{
        method,
        inputs: channels.map((c) => c.id),
        instruments: behind.map((i) => `${instrumentText(i)}${accuracy(i.accuracy)}`),
        uncertainty: 'A reading is as good as its instrument, and a mean of many is hardly better: an instrument that is off is off in all of them. What happened where nothing was read is not known here.',
        narrower: 'An instrument of a better class where these stand, or a check of them against one, written into the site file with its date.',
      }}
    />
  );
}

function accuracy(of: Record<string, string> | undefined): string {
  const parts = Object.entries(of ?? {});
  return parts.length > 0 ? ` (${parts.map(([what, text]) => `${what} ${text}`).join(', ')})` : '';
}
