/** The page as it is built: beside the built library, and found from the sources as well. */
export const pageFileUrl = new URL("../dist/index.html", import.meta.url);
