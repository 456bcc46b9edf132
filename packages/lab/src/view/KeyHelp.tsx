import { useEffect, useRef } from "preact/hooks";
import { hasSingleKeys, isKeyHelpOpen, setSingleKeys } from "../state/keyboard.js";
import { KEYS } from "../words/keys.js";

/** The keys, in a dialog of the browser's own: it keeps the focus and closes with Esc. */
export function KeyHelp() {
  const dialog = useRef<HTMLDialogElement>(null);
  const isOpen = isKeyHelpOpen.value;
  useEffect(() => {
    if (isOpen) dialog.current?.showModal();
    else dialog.current?.close();
  }, [isOpen]);
  const close = (): void => {
    isKeyHelpOpen.value = false;
  };
  return (
    <dialog ref={dialog} class="key-help" aria-labelledby="key-help-title" onClose={close}>
      <h2 id="key-help-title">Keys</h2>
      <table>
        <caption class="unseen">Keys of this page</caption>
        <tbody>
          {KEYS.map(({ keys, words }) => (
            <tr key={keys}>
              <th scope="row">{keys}</th>
              <td>{words}</td>
            </tr>
          ))}
        </tbody>
      </table>
      <label class="choice">
        <input
          type="checkbox"
          checked={hasSingleKeys.value}
          onChange={(event) => setSingleKeys(event.currentTarget.checked)}
        />
        Use letters and signs as keys
      </label>
      <p>
        <button type="button" class="primary" onClick={close}>
          Close
        </button>
      </p>
    </dialog>
  );
}
