import { useId, useState } from "preact/hooks";
import { TERMS, type Term } from "../words/terms.js";

/** A small "?" beside a word that says what the word means. */
export function Hint({ term }: { term: Term }) {
  const [isOpen, setOpen] = useState(false);
  const id = useId();
  return (
    <span class="hint">
      <button
        type="button"
        class="hint-button"
        aria-expanded={isOpen}
        aria-controls={id}
        aria-label={`What is ${NAMES[term] ?? term}?`}
        onClick={() => setOpen(!isOpen)}
        onBlur={() => setOpen(false)}
        onKeyDown={(event) => {
          if (event.key === "Escape") setOpen(false);
        }}
      >
        ?
      </button>
      <span class="hint-text" id={id} role="status" hidden={!isOpen}>
        {isOpen ? TERMS[term] : ""}
      </span>
    </span>
  );
}

const NAMES: Partial<Record<Term, string>> = {
  rssi: "signal strength",
  burst: "lost in a row",
  ack: "an ack",
};
