import { isZoomed, panBy, showWhole, zoomBy } from "../state/span.js";
import { Icon } from "./Icon.js";

/** What the wheel and the mouse do, as buttons. */
export function StripTools() {
  return (
    <>
      <button
        type="button"
        aria-label="Move left"
        disabled={!isZoomed.value}
        onClick={() => panBy(-0.25)}
      >
        <Icon name="left" />
      </button>
      <button
        type="button"
        aria-label="Move right"
        disabled={!isZoomed.value}
        onClick={() => panBy(0.25)}
      >
        <Icon name="right" />
      </button>
      <button type="button" aria-label="Look closer" onClick={() => zoomBy(0.5)}>
        <Icon name="closer" />
      </button>
      <button
        type="button"
        aria-label="Look from further away"
        disabled={!isZoomed.value}
        onClick={() => zoomBy(2)}
      >
        <Icon name="further" />
      </button>
      <button type="button" disabled={!isZoomed.value} onClick={showWhole}>
        Whole run
      </button>
    </>
  );
}
