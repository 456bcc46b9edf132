/**
 * For tests: reads markup as strictly as XML wants it (W3C, XML 1.0, without DTDs). Whatever is not
 * well-formed is an error with its place.
 */
export class XmlElement {
  readonly children: (XmlElement | string)[] = [];

  constructor(
    readonly name: string,
    readonly attributes: ReadonlyMap<string, string>,
  ) {}

  /** All text inside. */
  get text(): string {
    return this.children.map((child) => (typeof child === "string" ? child : child.text)).join("");
  }

  /** Every element inside, itself first, in the order of the page. */
  *all(): Generator<XmlElement> {
    yield this;
    for (const child of this.children) if (child instanceof XmlElement) yield* child.all();
  }

  /** Those of this name. */
  named(name: string): XmlElement[] {
    return [...this.all()].filter((element) => element.name === name);
  }
}

const NAME = "[A-Za-z_:][\\w:.-]*";
const TOKEN = new RegExp(
  `<!DOCTYPE html>|</(${NAME})\\s*>|<(${NAME})((?:\\s+${NAME}="[^"<]*")*)\\s*(/?)>|([^<]+)`,
  "y",
);
const ATTRIBUTE = new RegExp(`(${NAME})="([^"<]*)"`, "g");
const ENTITIES: Readonly<Record<string, string>> = {
  amp: "&",
  lt: "<",
  gt: ">",
  quot: '"',
  apos: "'",
};

/** The root element. */
export function readXml(markup: string): XmlElement {
  const top = new XmlElement("", new Map());
  const open = [top];
  TOKEN.lastIndex = 0;
  while (TOKEN.lastIndex < markup.length) {
    const at = TOKEN.lastIndex;
    const token = TOKEN.exec(markup);
    const fault = (what: string) => new Error(`${what}: …${markup.slice(at, at + 80)}…`);
    if (token === null) throw fault("No markup");
    const [, closed, opened, attributes = "", selfClosed, text] = token;
    const inner = open.at(-1)!;
    if (text !== undefined) inner.children.push(plainText(text, fault));
    if (closed !== undefined && (inner.name !== closed || open.length === 1)) {
      throw fault(`</${closed}> closes <${inner.name}>`);
    }
    if (closed !== undefined) open.pop();
    if (opened === undefined) continue;
    const element = new XmlElement(opened, attributesOf(attributes, fault));
    inner.children.push(element);
    if (selfClosed !== "/") open.push(element);
  }
  if (open.length > 1) throw new Error(`<${open.at(-1)!.name}> is not closed`);
  const roots = top.children.filter((child) => child instanceof XmlElement);
  const [root] = roots;
  const isBare = top.children.some((child) => typeof child === "string" && child.trim() !== "");
  if (root === undefined || roots.length > 1 || isBare) throw new Error("There is not one root");
  return root;
}

type Fault = (what: string) => Error;

function attributesOf(text: string, fault: Fault): Map<string, string> {
  const found = new Map<string, string>();
  for (const [, name = "", value = ""] of text.matchAll(ATTRIBUTE)) {
    if (found.has(name)) throw fault(`Attribute ${name} is there twice`);
    found.set(name, plainText(value, fault));
  }
  return found;
}

function plainText(text: string, fault: Fault): string {
  if (!/^[\t\n\r\u0020-\ud7ff\ue000-\ufffd\u{10000}-\u{10ffff}]*$/u.test(text)) {
    throw fault("A character that XML does not have");
  }
  if (text.includes("]]>")) throw fault("]]> in text");
  return text.replace(/&(?:#(\d+)|#x([0-9a-f]+)|(\w+));|&/gi, (whole, decimal, hex, name) => {
    if (decimal !== undefined) return String.fromCodePoint(Number(decimal));
    if (hex !== undefined) return String.fromCodePoint(Number.parseInt(hex, 16));
    const character = ENTITIES[name];
    if (character === undefined) throw fault(`${whole} is no entity of XML`);
    return character;
  });
}
