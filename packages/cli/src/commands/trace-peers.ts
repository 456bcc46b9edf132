import { InvalidArgumentError } from "commander";

/** More would be a mistake, and take longer to ask than an interval of a monitor lasts. */
const ADDRESSES_MAX = 1000;

/** `02:00:00:00:00:0a,02:00:00:00:00:0b`; for commander. What an address is, the link knows. */
export function addressList(text: string): readonly string[] {
  const texts = text.split(",").map((one) => one.trim());
  if (texts.includes("")) throw new InvalidArgumentError("Give addresses with commas in between.");
  if (texts.length <= ADDRESSES_MAX) return texts;
  throw new InvalidArgumentError(`Give at most ${ADDRESSES_MAX} addresses.`);
}
