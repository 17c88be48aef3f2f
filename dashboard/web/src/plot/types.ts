// What a plot over time is given, and what it tells. A plot draws; it fetches
// nothing and keeps no view of its own: the page owns the window and the cursors.
import type { Run } from '../chart/runs';

/** One channel's cells in the shown unit, ascending in time; NaN is a gap. All arrays have one length. */
export interface Curve {
  /** channel id */
  id: string;
  /** as people read it */
  name: string;
  /** Unix ms, the middle of each cell */
  t: Float64Array;
  min: Float64Array;
  max: Float64Array;
  mean: Float64Array;
  /** index into the plot's colours and dashes, which differ by shape too */
  look: number;
  decimals: number;
  /** 0 or 1 only: drawn as steps */
  bit: boolean;
}

/** A level that a lane shows as a dashed line, in the lane's unit. */
export interface PlotGuide {
  value: number;
  text: string;
  below: boolean;
}

/** Channels of one unit, drawn on one axis. */
export interface Lane {
  key: string;
  unit: string;
  curves: Curve[];
  guides: PlotGuide[];
  zeroBased: boolean;
  /** CSS px */
  height: number;
}

/** Something that happened, at a moment or over a time. */
export interface PlotMark {
  key: string;
  from: number;
  /** undefined: a moment */
  to: number | undefined;
  sort: 'fault' | 'trip' | 'note' | 'setup' | 'line' | 'clock' | 'test';
  text: string;
}

export interface PlotStates {
  machine: string;
  runs: Run[];
}

export interface PlotProps {
  /** the window, Unix ms */
  from: number;
  to: number;
  /** how far one may go: nothing was recorded before, nothing is yet after */
  least: number;
  most: number;
  lanes: Lane[];
  states: PlotStates[];
  marks: PlotMark[];
  /** the key of the chosen mark */
  chosen: string;
  a: number | undefined;
  b: number | undefined;
  width: number;
  timeZone: string;
  /** grows when the theme changed */
  colours: number;
  /** the reader moves the view; done is false while fingers or wheel are still at it */
  onView: (from: number, to: number, done: boolean) => void;
  /** the reader sets or moves a cursor; undefined takes it away */
  onCursor: (which: 'a' | 'b', at: number | undefined) => void;
  onMark: (key: string) => void;
  /** where the pointer is, Unix ms; null: not over the plot */
  onPoint: (at: number | null) => void;
}
