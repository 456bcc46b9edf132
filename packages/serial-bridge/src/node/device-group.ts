import { readFile, stat } from "node:fs/promises";
import type { DeviceGroup } from "./serial-system.js";

const READ_AND_WRITE_OF_GROUP = 0o060;

/**
 * The group that owns a device file.
 * @param groupsFile - lines of `name:password:number:members`, as in group(5); for tests
 */
export async function deviceGroup(
  path: string,
  groupsFile = "/etc/group",
): Promise<DeviceGroup | undefined> {
  const owner = await stat(path).catch(() => undefined);
  const groups = await readFile(groupsFile, "utf8").catch(() => undefined);
  if (owner === undefined || groups === undefined) return undefined;
  const { gid, mode } = owner;
  const line = groups.split("\n").find((text) => text.split(":")[2] === String(gid));
  const suffices = gid !== 0 && (mode & READ_AND_WRITE_OF_GROUP) === READ_AND_WRITE_OF_GROUP;
  return { name: line?.split(":")[0] ?? String(gid), suffices };
}
