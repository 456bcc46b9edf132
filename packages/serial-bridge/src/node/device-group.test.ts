import { chmod, chown, mkdtemp, rm, stat, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, expect, it } from "vitest";
import { deviceGroup } from "./device-group.js";

let folder: string;
let device: string;
let groups: string;

beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-group-"));
  device = join(folder, "device");
  groups = join(folder, "groups");
  await writeFile(device, "");
  await chmod(device, 0o660);
});

afterEach(() => rm(folder, { recursive: true }));

const isRoot = process.getuid?.() === 0;
const { gid: ownGid } = await stat(tmpdir()).then(() => ({ gid: process.getgid?.() ?? 0 }));
/** A group other than root's, as far as this user can give the file one. */
const gid = isRoot ? 20 : ownGid;

it("names the group, and says whether it is enough", async () => {
  if (isRoot) await chown(device, 0, gid);
  await writeFile(groups, `root:x:0:\ndialout:x:${gid}:somebody\nother:x:${gid}1:\n`);
  expect(await deviceGroup(device, groups)).toEqual({ name: "dialout", suffices: true });
  await chmod(device, 0o640);
  expect(await deviceGroup(device, groups)).toEqual({ name: "dialout", suffices: false });
});

it("sends nobody into the group of root", async () => {
  await writeFile(groups, "root:x:0:\n");
  // Root's, and everybody may read and write it.
  expect(await deviceGroup("/dev/null", groups)).toEqual({ name: "root", suffices: false });
});

it("gives the number of a group without a name", async () => {
  if (isRoot) await chown(device, 0, gid);
  await writeFile(groups, `dialout:x:${gid}1:\n`);
  expect(await deviceGroup(device, groups)).toEqual({ name: String(gid), suffices: true });
});

it("knows none where there is no device, or no list of groups", async () => {
  await writeFile(groups, "");
  expect(await deviceGroup(join(folder, "nothing"), groups)).toBeUndefined();
  expect(await deviceGroup(device, join(folder, "nothing"))).toBeUndefined();
});
