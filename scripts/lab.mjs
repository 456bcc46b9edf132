// Serves the lab page from its static folder, to this machine only: `npm run lab`. With `--dev` the
// page is put together anew whenever a source changes.

import { spawn } from "node:child_process";
import { createReadStream } from "node:fs";
import { createServer } from "node:http";
import { join } from "node:path";
import { parseArgs } from "node:util";
import { orExit, setUp } from "./setup.mjs";
import { root } from "./workspace.mjs";

const HOST = "127.0.0.1";
const PORT = 7440;
const HELP = `Usage: npm run lab -- [options]

Shows a lossy link at work, in a browser: open the address that is printed. Ctrl-C ends it.

  --port <number>  port on ${HOST} (default: ${PORT}; 0: a free one)
  --dev            put the page together anew whenever a source changes
  --help           this text

The page needs no server: packages/lab/dist/index.html also opens from disk, or from any static folder.
`;

const { port, dev, help } = options();
if (help) {
  process.stdout.write(HELP);
} else if (dev) {
  orExit(() => setUp());
  const folder = join(root, "packages/lab");
  const vite = join(folder, "node_modules/vite/bin/vite.js");
  const args = [vite, "--host", HOST, "--port", String(port)];
  const child = spawn(process.execPath, args, { cwd: folder, stdio: "inherit" });
  child.on("exit", (code) => process.exit(code ?? 1));
} else {
  orExit(() => setUp({ build: true }));
  serve(join(root, "packages/lab/dist/index.html"));
}

function options() {
  try {
    const { values } = parseArgs({
      options: {
        port: { type: "string", default: String(PORT) },
        dev: { type: "boolean", default: false },
        help: { type: "boolean", default: false },
      },
    });
    const port = Number(values.port);
    if (!/^\d+$/.test(values.port) || port > 65_535) {
      throw new Error(`--port ${values.port} is not a number from 0 to 65535.`);
    }
    return { ...values, port };
  } catch (error) {
    process.stderr.write(`${error.message}\n\n${HELP}`);
    return process.exit(2);
  }
}

function serve(file) {
  const server = createServer((request, response) => {
    const { pathname } = new URL(request.url ?? "/", `http://${HOST}`);
    if (request.method !== "GET" && request.method !== "HEAD") {
      response.writeHead(405, { allow: "GET, HEAD" }).end();
    } else if (pathname !== "/" && pathname !== "/index.html") {
      response.writeHead(404, { "content-type": "text/plain" }).end("There is only the page: /\n");
    } else {
      response.writeHead(200, {
        "content-type": "text/html; charset=utf-8",
        "cache-control": "no-cache",
        "x-content-type-options": "nosniff",
      });
      if (request.method === "HEAD") response.end();
      else createReadStream(file).pipe(response);
    }
  });
  server.on("error", (error) => {
    const why = error.code === "EADDRINUSE" ? `port ${port} is in use` : error.message;
    process.stderr.write(
      `The lab cannot be served: ${why}. Give another one: npm run lab -- --port 0\n`,
    );
    process.exit(1);
  });
  server.listen(port, HOST, () => {
    process.stdout.write(
      `The lab is at http://${HOST}:${server.address().port}/ (Ctrl-C ends it)\n`,
    );
  });
}
