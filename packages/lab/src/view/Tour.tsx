import { useEffect, useRef } from "preact/hooks";
import { endTour, goTo, steps, tourAt } from "../state/tour.js";
import { Icon } from "./Icon.js";

/** The tour: a card that stays while the clock and the page are put where it talks about. */
export function Tour() {
  const at = tourAt.value;
  const step = at === undefined ? undefined : steps.value[at];
  const heading = useRef<HTMLHeadingElement>(null);
  useEffect(() => {
    heading.current?.focus({ preventScroll: true });
    for (const element of document.querySelectorAll(".in-tour"))
      element.classList.remove("in-tour");
    if (step !== undefined) document.getElementById(step.place)?.classList.add("in-tour");
  }, [step]);
  if (at === undefined || step === undefined) return null;
  const isLast = at + 1 >= steps.value.length;
  return (
    <section
      class="tour"
      aria-labelledby="tour-title"
      onKeyDown={(event) => {
        if (event.key === "Escape") endTour();
      }}
    >
      <div class="panel-head">
        <h2 id="tour-title" tabIndex={-1} ref={heading}>
          {step.title}
        </h2>
        <button type="button" aria-label="End the tour" onClick={endTour}>
          <Icon name="close" />
        </button>
      </div>
      <p>{step.text}</p>
      <p class="tour-buttons">
        <span class="soft">
          {at + 1} of {steps.value.length}
        </span>
        <button type="button" disabled={at === 0} onClick={() => goTo(at - 1)}>
          Back
        </button>
        <button type="button" class="primary" onClick={() => (isLast ? endTour() : goTo(at + 1))}>
          {isLast ? "Done" : "Next"}
        </button>
      </p>
    </section>
  );
}
