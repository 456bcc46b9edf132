import { useEffect, useRef } from "preact/hooks";
import type { RunRecord } from "../run/record.js";
import { notesUntil } from "../run/views.js";
import { calmTimeUs, isPlaying, pause, seek } from "../state/playback.js";
import { pickedBoard } from "../state/selection.js";
import { timeText } from "../words/quantities.js";

/** More would make the page slow and are not read; the JSON has them all. */
const NOTES_MAX = 400;

/** What happened, in sentences; the one that is newest at the present instant is marked. */
export function EventList({ record }: { record: RunRecord }) {
  const current = notesUntil(record.notes, calmTimeUs.value) - 1;
  const list = useRef<HTMLOListElement>(null);
  const [from, to] = shownRange(record.notes.length, current);
  useEffect(() => {
    const item = list.current?.querySelector<HTMLElement>('[aria-current="true"]');
    // Only the list scrolls, never the page under the reader.
    if (item && list.current && isPlaying.peek()) {
      list.current.scrollTop = item.offsetTop - list.current.clientHeight / 2;
    }
  }, [current]);
  if (record.notes.length === 0) return <p class="soft">Nothing of note happened.</p>;
  return (
    <>
      <ol class="events" ref={list} aria-label="Events">
        {record.notes.slice(from, to).map((note, offset) => {
          const index = from + offset;
          return (
            <li
              key={index}
              class={`${note.kind}${note.atUs > calmTimeUs.value ? " to-come" : ""}`}
              aria-current={index === current ? "true" : undefined}
            >
              <button
                type="button"
                class="link"
                onClick={() => {
                  pause();
                  seek(note.atUs);
                  if (note.station !== undefined && note.station > 0) {
                    pickedBoard.value = note.station;
                  }
                }}
              >
                {timeText(note.atUs)}
              </button>{" "}
              {note.text}
            </li>
          );
        })}
      </ol>
      {record.notes.length > NOTES_MAX && (
        <p class="soft">
          {NOTES_MAX} of {record.notes.length} are shown, around the present instant.
        </p>
      )}
    </>
  );
}

function shownRange(count: number, current: number): readonly [number, number] {
  const from = Math.max(0, Math.min(current - NOTES_MAX / 2, count - NOTES_MAX));
  return [from, Math.min(from + NOTES_MAX, count)];
}
