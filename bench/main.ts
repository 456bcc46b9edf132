import { main } from "./cli.js";

process.exitCode = await main(process.argv.slice(2), {
  out: (text) => process.stdout.write(text),
  error: (text) => process.stderr.write(text),
});
