import fc from "fast-check";

/** For tests: any text at all, and above all what could break out of a page. */
export const hostileText = fc.oneof(
  fc.string({ unit: "binary", maxLength: 40 }),
  fc.string({ unit: fc.constantFrom("<", ">", "&", '"', "'", "/", "!", "-", "]", "a", " ", "\n") }),
  fc.constantFrom(
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</title></style><script/>",
    "]]><svg onload=alert(1)>",
    "&lt;&amp;&#0;&nope;",
    "\u202Etxt.\ufeff\ufffe\uffff\u{1fffe}\u0000\u001b[2J",
    "\ud800 alone",
  ),
);
