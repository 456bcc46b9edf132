import { lazy, Suspense } from "preact/compat";
import { PAGES, type Page, page } from "../state/route.js";
import { THEMES, type Theme, theme } from "../state/theme.js";
import { AboutPage } from "./AboutPage.js";
import { LabPage } from "./LabPage.js";

const LiveView = lazy(async () => ({ default: (await import("../live/LiveView.js")).LiveView }));

const PAGE_NAMES: Record<Page, string> = { lab: "Lab", live: "Live", about: "About" };

/** The frame around all pages. */
export function App() {
  return (
    <>
      <button type="button" class="skip" onClick={skipToContent}>
        Skip to the content
      </button>
      <header class="masthead">
        <p class="brand">
          Fardel <span>lab</span>
        </p>
        <nav aria-label="Pages">
          <ul>
            {PAGES.map((name) => (
              <li key={name}>
                <a href={`#${name}`} aria-current={page.value === name ? "page" : undefined}>
                  {PAGE_NAMES[name]}
                </a>
              </li>
            ))}
          </ul>
        </nav>
        <ThemeChoice />
      </header>
      <main id="main-content" tabIndex={-1}>
        {page.value === "lab" && <LabPage />}
        {page.value === "about" && <AboutPage />}
        {page.value === "live" && (
          <Suspense fallback={<p>Loading …</p>}>
            <LiveView />
          </Suspense>
        )}
      </main>
    </>
  );
}

/** A button, not a link: the hash of the address names the page, so a link would leave it. */
function skipToContent(): void {
  document.getElementById("main-content")?.focus();
}

function ThemeChoice() {
  return (
    <label class="inline theme">
      <span>Theme</span>
      <select
        value={theme.value}
        onChange={(event) => {
          theme.value = event.currentTarget.value as Theme;
        }}
      >
        {THEMES.map((name) => (
          <option key={name} value={name}>
            {name}
          </option>
        ))}
      </select>
    </label>
  );
}
