/** Small choices of the person that outlast a visit. A browser may refuse to keep them: then they do not. */
export function readKept(name: string): string | undefined {
  try {
    return localStorage.getItem(`fardel-lab-${name}`) ?? undefined;
  } catch {
    return undefined;
  }
}

export function writeKept(name: string, value: string): void {
  try {
    localStorage.setItem(`fardel-lab-${name}`, value);
  } catch {
    // Nothing depends on it.
  }
}
