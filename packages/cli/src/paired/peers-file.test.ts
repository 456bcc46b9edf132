import { expect, it } from "vitest";
import { defaultPeersFile } from "./peers-file.js";

it.each([
  [{}, "linux", "/ana", "/ana/.config/fardel/peers.json"],
  [{ XDG_CONFIG_HOME: "/etc/mine" }, "linux", "/ana", "/etc/mine/fardel/peers.json"],
  [{ XDG_CONFIG_HOME: "relative" }, "darwin", "/ana", "/ana/.config/fardel/peers.json"],
  [{ FARDEL_STORE: "here.json" }, "linux", "/ana", "here.json"],
  [{ APPDATA: "C:\\Roaming" }, "win32", "C:\\ana", "C:\\Roaming\\fardel\\peers.json"],
  [{}, "win32", "C:\\ana", "C:\\ana\\AppData\\Roaming\\fardel\\peers.json"],
])("paired boards of %j on %s are in %s: %s", (env, platform, home, path) => {
  expect(defaultPeersFile({ env, platform, home })).toBe(path);
});
