import { shownRecords } from "../state/lab.js";
import { pickedBoard } from "../state/selection.js";

/** Whose blob the large pictures show; a board can be clicked in the air as well. */
export function BoardChoice() {
  const stations = shownRecords.value[0]?.record.stations ?? [];
  if (stations.length < 3) return null;
  return (
    <label class="inline">
      <span>Board</span>
      <select
        value={pickedBoard.value}
        onChange={(event) => {
          pickedBoard.value = Number(event.currentTarget.value);
        }}
      >
        {stations.slice(1).map(({ name, address }, index) => (
          <option key={address} value={index + 1}>
            {name}
          </option>
        ))}
      </select>
    </label>
  );
}
