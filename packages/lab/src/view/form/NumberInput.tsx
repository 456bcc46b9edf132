import { useState } from "preact/hooks";
import { editedSide } from "../../state/lab.js";
import { change } from "../../state/runs.js";
import { Hint } from "../Hint.js";
import { accepted, fromSlider, type NumberField, toSlider } from "./number-fields.js";

/** A number twice: as a slider to play with and as a field to be exact in. */
export function NumberInput({ field, isPlain }: { field: NumberField; isPlain?: boolean }) {
  const side = editedSide.value;
  const value = field.get(side.settings.value);
  // What is being typed may not be a number yet, or not within the limits.
  const [typed, setTyped] = useState<string | undefined>(undefined);
  const id = `setting-${field.id}`;
  const put = (next: number): void => {
    if (next !== value) change(side, field.set(side.settings.value, next));
  };
  const take = (text: string): void => {
    const next = accepted(field, text);
    if (next !== undefined) put(next);
    setTyped(undefined);
  };
  return (
    <div class="field">
      <div class="field-head">
        <label for={id}>{field.label}</label>
        {field.term !== undefined && <Hint term={field.term} />}
        <span class="field-value">
          <input
            id={id}
            type="number"
            inputMode="decimal"
            min={field.min}
            max={field.max}
            step={field.step}
            value={typed ?? String(value)}
            aria-describedby={field.hint === undefined ? undefined : `${id}-hint`}
            onInput={(event) => {
              const text = event.currentTarget.value;
              setTyped(text);
              const next = accepted(field, text);
              if (next !== undefined && String(next) === text) put(next);
            }}
            onChange={(event) => take(event.currentTarget.value)}
            onBlur={() => setTyped(undefined)}
          />
          {field.unit !== undefined && <span class="unit">{field.unit}</span>}
        </span>
      </div>
      {!isPlain && (
        <input
          type="range"
          aria-label={`${field.label}, slider`}
          aria-valuetext={`${value} ${field.unit ?? ""}`}
          min={0}
          max={1_000}
          step={1}
          value={toSlider(field, value)}
          onInput={(event) => put(fromSlider(field, event.currentTarget.valueAsNumber))}
          onKeyDown={(event) => stepByKey(event, field, value, put)}
        />
      )}
      {field.hint !== undefined && (
        <p class="field-hint" id={`${id}-hint`}>
          {field.hint}
        </p>
      )}
    </div>
  );
}

/** By keyboard a slider moves by the field's own steps, not by thousandths of its length. */
function stepByKey(
  event: KeyboardEvent,
  field: NumberField,
  value: number,
  put: (next: number) => void,
): void {
  const way = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 1, PageDown: -1 }[
    event.key
  ];
  if (way === undefined) return;
  event.preventDefault();
  const isPage = event.key.startsWith("Page");
  const least = field.isLog ? Math.max(value * (isPage ? 0.5 : 0.1), field.step) : field.step;
  const by = field.isLog ? least : isPage ? (field.max - field.min) / 10 : field.step;
  put(accepted(field, String(value + way * by)) ?? value);
}
