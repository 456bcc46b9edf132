import { useRef, useState } from "preact/hooks";
import { copyLink, FORMATS, save } from "../state/exports.js";

/** Saving and passing on. */
export function ExportMenu() {
  const menu = useRef<HTMLDetailsElement>(null);
  // Shown to be copied by hand where the clipboard is closed to the page.
  const [link, setLink] = useState<string | undefined>(undefined);
  const [isCopied, setCopied] = useState(false);
  const copy = async (isOfInstant: boolean): Promise<void> => {
    const refused = await copyLink(isOfInstant);
    setLink(refused);
    setCopied(refused === undefined);
  };
  const close = (): void => {
    if (menu.current?.open !== true) return;
    menu.current.open = false;
    menu.current.querySelector("summary")?.focus();
  };
  return (
    <details
      class="menu"
      ref={menu}
      onKeyDown={(event) => {
        if (event.key === "Escape") close();
      }}
      onToggle={() => setCopied(false)}
    >
      <summary>Save and share</summary>
      <ul>
        <li>
          <button type="button" onClick={() => void copy(false)}>
            Copy the link to this run
          </button>
        </li>
        <li>
          <button type="button" onClick={() => void copy(true)}>
            Copy the link to this instant
          </button>
        </li>
        {isCopied && <li class="soft">Copied. Whoever opens it sees the same run.</li>}
        {link !== undefined && (
          <li>
            <label class="soft" for="shared-link">
              Copy it from here:
            </label>
            <input id="shared-link" type="text" readOnly value={link} />
          </li>
        )}
        {FORMATS.map(({ key, name, words }) => (
          <li key={key}>
            <button type="button" aria-describedby={`save-${key}`} onClick={() => void save(key)}>
              {name}
            </button>
            <span class="soft" id={`save-${key}`}>
              {words}
            </span>
          </li>
        ))}
      </ul>
    </details>
  );
}
