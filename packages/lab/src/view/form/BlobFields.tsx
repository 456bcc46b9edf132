import type { LoadSettings } from "../../run/settings.js";
import { editedSide, file } from "../../state/lab.js";
import { change } from "../../state/runs.js";
import { takeFiles } from "../../state/taken-files.js";
import { bytesText } from "../../words/quantities.js";
import { NumberInput } from "./NumberInput.js";
import { BYTES, COMMAND_EVERY } from "./number-fields.js";

const SOURCES: Record<LoadSettings["source"], string> = {
  table: "the frost table (invented)",
  bytes: "made-up bytes",
  file: "a file of your own",
};

const DIRECTIONS: Record<LoadSettings["direction"], string> = {
  push: "from the gateway to each board",
  collect: "from each board to the gateway",
};

/** What is sent. */
export function BlobFields() {
  const side = editedSide.value;
  const settings = side.settings.value;
  const { load } = settings;
  const put = (part: Partial<LoadSettings>): void =>
    change(side, { ...settings, load: { ...load, ...part } });
  return (
    <fieldset>
      <legend>The blob</legend>
      <div class="field">
        <label for="source">What</label>
        <select
          id="source"
          value={load.source}
          onChange={(event) => {
            const source = event.currentTarget.value as LoadSettings["source"];
            if (source !== "file" || file.value === undefined) put({ source });
            else put({ source, bytes: file.value.bytes.length });
          }}
        >
          {Object.entries(SOURCES).map(([name, words]) => (
            <option key={name} value={name}>
              {words}
            </option>
          ))}
        </select>
      </div>
      {load.source === "file" ? <FileField /> : <NumberInput field={BYTES} />}
      <div class="field">
        <label for="direction">Which way</label>
        <select
          id="direction"
          value={load.direction}
          onChange={(event) => {
            put({ direction: event.currentTarget.value as LoadSettings["direction"] });
          }}
        >
          {Object.entries(DIRECTIONS).map(([name, words]) => (
            <option key={name} value={name}>
              {words}
            </option>
          ))}
        </select>
      </div>
      <NumberInput field={COMMAND_EVERY} />
    </fieldset>
  );
}

function FileField() {
  const chosen = file.value;
  const { bytes } = editedSide.value.settings.value.load;
  return (
    <div class="field">
      <label for="own-file">Your file</label>
      <input
        id="own-file"
        type="file"
        aria-describedby="own-file-hint"
        onChange={(event) => void takeFiles(event.currentTarget.files)}
      />
      <p class="field-hint" id="own-file-hint">
        {chosen === undefined
          ? `Choose it, or drop it anywhere on the page. It stays in this page. Until then ${bytesText(bytes)} that are made up go in its place.`
          : `${chosen.name}, ${bytesText(chosen.bytes.length)}. It stays in this page.`}
      </p>
    </div>
  );
}
