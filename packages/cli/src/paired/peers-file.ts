import { homedir } from "node:os";
import { posix, win32 } from "node:path";

/** What {@link defaultPeersFile} looks at. */
export interface Surroundings {
  readonly env: Readonly<Record<string, string | undefined>>;
  readonly platform: string;
  readonly home: string;
}

/** Where paired boards are kept unless `--store` says otherwise. */
export function defaultPeersFile(
  { env, platform, home }: Surroundings = {
    env: process.env,
    platform: process.platform,
    home: homedir(),
  },
): string {
  if (env.FARDEL_STORE) return env.FARDEL_STORE;
  if (platform === "win32")
    return win32.join(
      env.APPDATA || win32.join(home, "AppData", "Roaming"),
      "fardel",
      "peers.json",
    );
  // The XDG Base Directory Specification: a relative path there is not valid.
  const { XDG_CONFIG_HOME: given } = env;
  const config = given && posix.isAbsolute(given) ? given : posix.join(home, ".config");
  return posix.join(config, "fardel", "peers.json");
}
