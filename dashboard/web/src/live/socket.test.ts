import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import type { LiveEnvelope } from '../api';
import { LiveSocket, type Connection } from './socket';

class FakeSocket {
  static readonly OPEN = 1;
  static all: FakeSocket[] = [];
  onmessage: ((e: { data: unknown }) => void) | null = null;
  onclose: ((e?: { code: number; reason: string }) => void) | null = null;
  readyState = 1;
  sent: string[] = [];
  closed = false;

  constructor(readonly url: string) {
    FakeSocket.all.push(this);
  }

  send(text: string) {
    this.sent.push(text);
  }

  close() {
    this.closed = true;
  }

  say(seq: number, type: string) {
    this.onmessage?.({ data: JSON.stringify({ seq, type, data: {} }) });
  }
}

const last = () => FakeSocket.all.at(-1) as FakeSocket;

describe('live socket', () => {
  let seen: LiveEnvelope[];
  let states: Connection[];
  let away: string[];
  let socket: LiveSocket;

  beforeEach(() => {
    vi.useFakeTimers();
    vi.stubGlobal('WebSocket', FakeSocket);
    FakeSocket.all = [];
    seen = [];
    states = [];
    away = [];
    socket = new LiveSocket('ws://x/live', { message: (m) => seen.push(m), connection: (c) => states.push(c), turnedAway: (w) => away.push(w) });
    socket.start();
  });

  afterEach(() => {
    socket.stop();
    vi.useRealTimers();
    vi.unstubAllGlobals();
  });

  it('is live from its first snapshot', () => {
    expect(states).toEqual([]);
    last().say(1, 'snapshot');
    expect(states).toEqual(['live']);
  });

  it('comes back by itself, one socket at a time, waiting longer each time', () => {
    last().say(1, 'snapshot');
    const waits: number[] = [];
    for (let i = 0; i < 8; i++) {
      const count = FakeSocket.all.length;
      last().onclose?.();
      let waited = 0;
      while (FakeSocket.all.length === count && waited < 60_000) {
        vi.advanceTimersByTime(50);
        waited += 50;
      }
      waits.push(waited);
      expect(FakeSocket.all.length).toBe(count + 1);
      expect(FakeSocket.all.slice(0, -1).every((s) => s.closed)).toBe(true);
    }
    expect(waits[0]).toBeLessThanOrEqual(500);
    expect(waits[7]).toBeGreaterThanOrEqual(15_000);
    expect(Math.max(...waits)).toBeLessThanOrEqual(30_050);
    expect(states.at(-1)).toBe('lost');
    last().say(40, 'snapshot');
    expect(states.at(-1)).toBe('live');
  });

  it('asks for a snapshot after a hole in the sequence', () => {
    last().say(1, 'snapshot');
    last().say(3, 'scan');
    expect(last().sent).toEqual(['{"type":"snapshot"}']);
    expect(seen.length).toBe(2);
  });

  it('asks for a snapshot when a message cannot be read', () => {
    last().say(1, 'snapshot');
    last().onmessage?.({ data: '{"seq":' });
    expect(last().sent).toEqual(['{"type":"snapshot"}']);
  });

  it('asks a quiet server for a sign of life and gives the socket up after 75 s, not before 70 s', () => {
    last().say(1, 'snapshot');
    vi.advanceTimersByTime(70_000);
    expect(last().sent).toEqual(['{"type":"snapshot"}']);
    expect(states).toEqual(['live']);
    vi.advanceTimersByTime(5_000);
    expect(states).toEqual(['live', 'lost']);
  });

  it('stays with a quiet server that answers', () => {
    last().say(1, 'snapshot');
    for (let i = 0; i < 10; i++) {
      vi.advanceTimersByTime(61_000);
      last().say(1, 'snapshot');
    }
    expect(states.includes('lost')).toBe(false);
    expect(FakeSocket.all.length).toBe(1);
  });

  it('stops when the server asks for a sign-in, until it is started again', () => {
    last().say(1, 'snapshot');
    last().onclose?.({ code: 4401, reason: 'the session was ended' });
    vi.advanceTimersByTime(120_000);
    socket.hurry();
    expect(away).toEqual(['the session was ended']);
    expect(FakeSocket.all.length).toBe(1);
    socket.start();
    last().say(1, 'snapshot');
    expect(FakeSocket.all.length).toBe(2);
    expect(states.at(-1)).toBe('live');
  });

  it('hears nothing of an abandoned socket', () => {
    const first = last();
    first.onclose?.();
    first.say(1, 'snapshot');
    expect(seen).toEqual([]);
  });

  it('hurries when the reader is back, without a second socket', () => {
    last().onclose?.();
    socket.hurry();
    socket.hurry();
    expect(FakeSocket.all.length).toBe(2);
    vi.advanceTimersByTime(5_000);
    expect(FakeSocket.all.length).toBe(2);
  });

  it('stays stopped', () => {
    socket.stop();
    vi.advanceTimersByTime(120_000);
    expect(FakeSocket.all.length).toBe(1);
    expect(last().closed).toBe(true);
  });
});
