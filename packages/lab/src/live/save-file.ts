/** Gives a file to the person, as the browser saves what it loads. */
export function saveFile(content: Blob, name: string): void {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(content);
  link.download = name;
  link.click();
  // The browser has taken it over by then.
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}
