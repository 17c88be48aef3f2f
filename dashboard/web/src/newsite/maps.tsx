// Register maps that a person brings: pasted, or picked from this computer.
import { add, draft, remove } from './draft';
import { Area, GroupRemarks, Text } from './field';

/** What a file's name becomes as a map's. */
export const mapName = (file: string): string =>
  file.toLowerCase().replace(/\.toml$/, '').replace(/[^a-z0-9]+/g, '-').replace(/^-+|-+$/g, '').slice(0, 60) || 'map';

async function bring(file: File): Promise<void> {
  add('maps', { name: mapName(file.name), text: await file.text() });
}

export function Maps() {
  return (
    <div class="maps">
      {draft.value.maps.map((m, i) => (
        <fieldset key={i}>
          <legend>Register map {m.name || i + 1}</legend>
          <div class="asks one">
            <Text at={`maps.${i}.name`} label="Kept as maps/…toml under the name" hint="a-z, digits and -." />
            <Area one at={`maps.${i}.text`} label="Its text" rows={8} hint="As “loadscribe probe” writes it, or by docs/register-maps.md." />
          </div>
          <GroupRemarks at={`maps.${i}`} />
          <button type="button" class="plain" onClick={() => remove('maps', i)}>Take the map {m.name} away</button>
        </fieldset>
      ))}
      <p class="bring">
        <button type="button" onClick={() => { add('maps', { name: `map-${draft.value.maps.length + 1}`, text: '' }); }}>Paste a map</button>
        <label class="file">or pick a file <input type="file" accept=".toml,text/plain" onChange={(e) => {
          const input = e.currentTarget;
          const file = input.files?.[0];
          if (file) void bring(file).then(() => { input.value = ''; });
        }} /></label>
      </p>
    </div>
  );
}

