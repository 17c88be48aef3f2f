// What the page asks of loadscribe beyond reading: a copy of the record, a check of
// the evidence log, a report. They may take minutes, so each can be taken back.
import { ApiError, refused, type BackupReady, type EvidenceVerdict } from '../api';
import { capital } from '../look/words';

/** Sends a POST that may take long; a refusal has the words of the API. */
async function ask(path: string, body: string | undefined, signal: AbortSignal): Promise<Response> {
  let response: Response;
  try {
    response = await fetch(path, { method: 'POST', signal, ...(body === undefined ? {} : { body, headers: { 'content-type': 'application/json' } }) });
  } catch (cause) {
    if (signal.aborted) throw cause;
    throw new ApiError('loadscribe cannot be reached', { cause });
  }
  if (response.ok) return response;
  throw await refused(response);
}

/** Has a copy made and hands it to the browser as a download, so that no page holds a record. */
export async function backup(signal: AbortSignal): Promise<BackupReady> {
  const ready = (await (await ask('/api/v1/backup/ready', '{}', signal)).json()) as BackupReady;
  download(`/api/v1/backup/file?${new URLSearchParams({ ticket: ready.ticket })}`, ready.name);
  return ready;
}

export async function verify(signal: AbortSignal): Promise<EvidenceVerdict> {
  return (await ask('/api/v1/verify', '{}', signal)).json() as Promise<EvidenceVerdict>;
}

/** Hands something to the browser as a download. */
export function save(blob: Blob, name: string): void {
  const address = URL.createObjectURL(blob);
  download(address, name);
  setTimeout(() => URL.revokeObjectURL(address), 60_000); // the browser has begun by then
}

function download(address: string, name: string): void {
  const link = document.createElement('a');
  link.href = address;
  link.download = name;
  link.click();
}

/** What the check found, in a sentence. */
export function verdictWords(v: EvidenceVerdict): string {
  const seen = `${v.leaves} leaves, ${v.blocks} blocks with ${v.readings} readings and ${v.events} events were made again and compared`;
  const rest = `${v.dropped > 0 ? `; of ${v.dropped} blocks only the hash is kept` : ''}${v.unsealed > 0 ? `; ${v.unsealed} readings and events are newer than the log` : ''}`;
  if (v.sound) return `The log is sound: ${seen}${rest}.`;
  return `The log is not sound: ${v.break_count} ${v.break_count === 1 ? 'thing is' : 'things are'} not as it has them. ${capital(seen)}${rest}.`;
}
