import { main } from "./cli.js";

// Whoever reads only the first lines closes the pipe.
process.stdout.on("error", () => process.exit());

process.exitCode = await main(process.argv.slice(2), {
  out: (text) => process.stdout.write(text),
  error: (text) => process.stderr.write(text),
});
