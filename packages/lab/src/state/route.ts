import { computed, signal } from "@preact/signals";

/** The pages. Each is a fragment of the address, so that a page from disk has them too. */
export const PAGES = ["lab", "live", "about"] as const;
export type Page = (typeof PAGES)[number];

function readHash(): { page: Page | undefined; query: string } {
  const [name = "", ...rest] = location.hash.replace(/^#/, "").split("?");
  return { page: PAGES.find((page) => page === name), query: rest.join("?") };
}

/** A gateway that serves the page says so in its head; its own view is then what opens first. */
function firstPage(): Page {
  return document.querySelector('meta[name="fardel-live"]') === null ? "lab" : "live";
}

const hash = signal(readHash());

export const page = computed<Page>(() => hash.value.page ?? firstPage());

/** What stands behind the `?` of the hash. */
export const query = computed(() => hash.value.query);

/** Follows links, and addresses that are typed by hand. */
export function watchRoute(): void {
  addEventListener("hashchange", () => {
    hash.value = readHash();
  });
}

/** Writes the lab's settings into the address, without a step in the history for each. */
export function replaceQuery(text: string): void {
  if (hash.peek().page !== "lab" && firstPage() !== "lab") return;
  const wanted = text === "" ? "#lab" : `#lab?${text}`;
  if (location.hash === wanted) return;
  history.replaceState(history.state, "", wanted);
  hash.value = readHash();
}
