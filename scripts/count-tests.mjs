// Adds up the reports that vitest's JSON reporter wrote: `node scripts/count-tests.mjs <file> …`.
// The closing line is `N passed, N failed`; fails if a test failed, none ran or a report is missing.

import { readFileSync } from "node:fs";
import { basename } from "node:path";

const total = { passed: 0, failed: 0, skipped: 0 };
let isWhole = true;
for (const file of process.argv.slice(2)) {
  const counts = read(file);
  const name = basename(file, ".json");
  if (counts === undefined) {
    console.log(`${name}: no report was written`);
    isWhole = false;
    continue;
  }
  console.log(`${name}: ${line(counts)}`);
  isWhole &&= counts.passed > 0;
  for (const key of Object.keys(total)) total[key] += counts[key];
}
console.log(line(total));
process.exit(isWhole && total.failed === 0 ? 0 : 1);

function line({ passed, failed, skipped }) {
  const base = `${passed} passed, ${failed} failed`;
  return skipped === 0 ? base : `${base}, ${skipped} skipped`;
}

function read(file) {
  let report;
  try {
    report = JSON.parse(readFileSync(file, "utf8"));
  } catch {
    return undefined;
  }
  // A file that breaks while it is loaded, or in a hook, has no failed test of its own.
  const brokenFiles = report.testResults.filter(
    ({ status, assertionResults }) =>
      status === "failed" && !assertionResults.some((result) => result.status === "failed"),
  ).length;
  return {
    passed: report.numPassedTests,
    failed: report.numFailedTests + brokenFiles,
    skipped: report.numPendingTests + (report.numTodoTests ?? 0),
  };
}
