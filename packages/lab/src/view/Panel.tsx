import type { ComponentChildren } from "preact";

export interface PanelProps {
  /** Also its id: the tour and links point to it. */
  readonly id: string;
  readonly title: string;
  /** Small controls beside the title. */
  readonly tools?: ComponentChildren;
  readonly children: ComponentChildren;
  readonly className?: string;
}

/** One part of the page, with its title on the line above it. */
export function Panel({ id, title, tools, children, className = "" }: PanelProps) {
  return (
    <section class={`panel ${className}`} id={id} aria-labelledby={`${id}-title`}>
      <div class="panel-head">
        <h2 id={`${id}-title`}>{title}</h2>
        {tools !== undefined && <div class="panel-tools">{tools}</div>}
      </div>
      {children}
    </section>
  );
}
