import { spawnSync } from "node:child_process";

/** What a race asks of the computer it runs on. */
export interface Computer {
  readonly platform: string;
  /** 0 is root; `undefined` where there is no such number. */
  readonly userId: number | undefined;
  /** Runs a command. @returns `undefined` if there is no such command */
  run(command: string, args: readonly string[]): { isGood: boolean; said: string } | undefined;
}

/** Commands, what to ask of them to see whether they are there, and the Debian package with each. */
const COMMANDS = [
  { command: "ip", argument: "-V", package: "iproute2" },
  { command: "unshare", argument: "--version", package: "util-linux" },
  { command: "gcc", argument: "--version", package: "gcc libc6-dev" },
];

/** Just what a lane does, in a namespace that is gone at once. */
const TRIAL = "ip tuntap add dev air mode tun && ip link set air up";

/** Why there can be no race here, and what to do: one sentence or two; `undefined` if there can be. */
export function obstacle(computer: Computer = thisComputer): string | undefined {
  if (computer.platform !== "linux") {
    return `It takes network namespaces and TUN devices of Linux, and this is ${computer.platform}. Run it on Linux.`;
  }
  if (computer.userId !== 0) {
    return "It makes network namespaces, for which it must be root. Run it with sudo.";
  }
  const missing = COMMANDS.filter(({ command, argument }) => !computer.run(command, [argument]));
  if (missing.length > 0) {
    const names = missing.map(({ command }) => command).join(", ");
    const packages = missing.map((each) => each.package).join(" ");
    return `Not installed: ${names}. Get it: apt-get install ${packages}`;
  }
  const trial = computer.run("unshare", ["--net", "sh", "-c", TRIAL]);
  if (trial?.isGood) return undefined;
  const said = trial?.said.trim().split("\n")[0];
  return `No network namespace with a TUN device can be made here (${said}). In a container, give it /dev/net/tun and the capabilities NET_ADMIN and SYS_ADMIN.`;
}

const thisComputer: Computer = {
  platform: process.platform,
  userId: process.getuid?.(),
  run(command, args) {
    const { status, stdout, stderr, error } = spawnSync(command, args, { encoding: "utf8" });
    return error ? undefined : { isGood: status === 0, said: stderr || stdout };
  },
};
