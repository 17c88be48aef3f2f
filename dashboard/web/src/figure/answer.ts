// Figures in an answer of /api/v1/figures, each with the place where it stands.
import type { Figure, FiguresAnswer } from '../api';
import { answerAddress } from './number';

/** A figure and the JSON pointer to it. */
export interface Found {
  figure: Figure;
  at: string;
}

function found(figures: Figure[], at: string): Map<string, Found> {
  return new Map(figures.map((figure, i) => [figure.name, { figure, at: `${at}/figures/${i}` }]));
}

/** A machine's figures by name; empty where the answer has no such machine. */
export function machineFigures(answer: FiguresAnswer, machine: string): Map<string, Found> {
  const i = answer.machines.findIndex((m) => m.machine === machine);
  return found(answer.machines[i]?.figures ?? [], `/machines/${i}`);
}

/** A system's figures by name. */
export function systemFigures(answer: FiguresAnswer, system: string): Map<string, Found> {
  const i = answer.systems.findIndex((s) => s.system === system);
  return found(answer.systems[i]?.figures ?? [], `/systems/${i}`);
}

/** Where the same answer can be asked for again: its window is that of the answer. machine as it was asked. */
export function figuresAddress(answer: FiguresAnswer, machine = ''): string {
  return answerAddress('/api/v1/figures', { from: answer.from, to: answer.to, machine });
}
