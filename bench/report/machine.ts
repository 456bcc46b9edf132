/** What is known of a machine without saying whose it is. */
export interface Machine {
  readonly cores: number;
  readonly memoryBytes: number;
  /** `os.type()`. */
  readonly system: string;
  /** `process.versions.node`. */
  readonly node: string;
}

/** In general words: no names of makers, hosts or folders. */
export function describeMachine({ cores, memoryBytes, system, node }: Machine): string {
  const memory = `${Math.round(memoryBytes / 2 ** 30)} GiB of memory`;
  const family = system === "Linux" ? "Linux" : "another system";
  const [major, minor] = node.split(".");
  return `${cores} ${cores === 1 ? "core" : "cores"}, ${memory}, ${family}, Node ${major}.${minor}`;
}
