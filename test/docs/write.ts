// Brings the parts of the documents that are written by programs up to date:
// `node scripts/run.mjs test/docs/write.ts`

import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { GENERATED_PARTS } from "./generated.js";
import { readDocument, root, withGeneratedPart } from "./markdown.js";

for (const { document, name, content } of GENERATED_PARTS) {
  const before = readDocument(document);
  const after = withGeneratedPart(before, name, content());
  if (after !== before) writeFileSync(join(root, document), after);
  console.log(`${document}, ${name}: ${after === before ? "up to date" : "written"}`);
}
