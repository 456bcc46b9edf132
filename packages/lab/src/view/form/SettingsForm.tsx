import { EXAMPLES } from "../../run/examples.js";
import { settingsToQuery } from "../../run/query.js";
import type { PresetName } from "../../run/settings.js";
import { editedName, editedSide, isComparing, shownSides } from "../../state/lab.js";
import { change, runNow } from "../../state/runs.js";
import type { SideName } from "../../state/side.js";
import { BlobFields } from "./BlobFields.js";
import { NumberInput } from "./NumberInput.js";
import {
  BOARDS,
  BURST,
  CORRUPT,
  DATAGRAM,
  DISTANCE,
  DUPLICATE,
  LOSS,
  MEDIA,
  RATE,
  REORDER,
  SEED,
  WINDOW,
  withMedium,
} from "./number-fields.js";
import { OutageFields } from "./OutageFields.js";
import { RunButtons } from "./RunButtons.js";

/** Everything that decides a run. Changes take effect by themselves, a moment after the last one. */
export function SettingsForm() {
  return (
    <form
      class="settings"
      aria-label="Settings"
      onSubmit={(event) => {
        event.preventDefault();
        void runNow();
      }}
    >
      {isComparing.value && <SideChoice />}
      <ExampleChoice />
      <fieldset>
        <legend>The link</legend>
        <NumberInput field={LOSS} />
        <NumberInput field={BURST} />
        <MediumChoice />
        <NumberInput field={DATAGRAM} />
        <details class="more" open={hasMore()}>
          <summary>More of the link</summary>
          <NumberInput field={RATE} />
          <NumberInput field={DISTANCE} />
          <NumberInput field={DUPLICATE} />
          <NumberInput field={REORDER} />
          <NumberInput field={CORRUPT} />
        </details>
        <OutageFields />
      </fieldset>
      <fieldset>
        <legend>The boards</legend>
        <NumberInput field={BOARDS} />
        <NumberInput field={WINDOW} />
      </fieldset>
      <BlobFields />
      <fieldset>
        <legend>Chance</legend>
        <NumberInput field={SEED} isPlain />
        <button type="button" onClick={drawSeed}>
          Another seed
        </button>
      </fieldset>
      <RunButtons />
    </form>
  );
}

function hasMore(): boolean {
  const { rateKbps, distanceM, duplicate, reorder, corrupt } = editedSide.value.settings.value;
  return rateKbps + distanceM + duplicate + reorder + corrupt > 0;
}

function drawSeed(): void {
  const side = editedSide.value;
  change(side, { ...side.settings.value, seed: 1 + Math.floor(Math.random() * 99_999) });
}

function SideChoice() {
  return (
    <fieldset class="side-choice">
      <legend>Which setting to change</legend>
      {shownSides.value.map(({ name }) => (
        <label key={name} class="choice">
          <input
            type="radio"
            name="side"
            value={name}
            checked={editedName.value === name}
            onChange={() => {
              editedName.value = name satisfies SideName;
            }}
          />
          Setting {name}
        </label>
      ))}
    </fieldset>
  );
}

const OWN = "own";

function ExampleChoice() {
  const side = editedSide.value;
  const now = settingsToQuery(side.settings.value);
  const chosen = EXAMPLES.find(({ settings }) => settingsToQuery(settings) === now);
  return (
    <div class="field">
      <label for="example">Example</label>
      <select
        id="example"
        aria-describedby="example-words"
        value={chosen?.name ?? OWN}
        onChange={(event) => {
          const { value } = event.currentTarget;
          const example = EXAMPLES.find(({ name }) => name === value);
          if (example !== undefined) change(side, example.settings);
        }}
      >
        {chosen === undefined && <option value={OWN}>your own</option>}
        {EXAMPLES.map(({ name }) => (
          <option key={name} value={name}>
            {name}
          </option>
        ))}
      </select>
      <p class="field-hint" id="example-words">
        {chosen?.words ?? "Choose one, then change what you like."}
      </p>
    </div>
  );
}

function MediumChoice() {
  const side = editedSide.value;
  return (
    <div class="field">
      <label for="medium">Medium</label>
      <select
        id="medium"
        value={side.settings.value.preset}
        onChange={(event) => {
          const preset = event.currentTarget.value as PresetName;
          change(side, withMedium(side.settings.value, preset));
        }}
      >
        {Object.entries(MEDIA).map(([name, words]) => (
          <option key={name} value={name}>
            {words}
          </option>
        ))}
      </select>
    </div>
  );
}
