import { readdirSync, readFileSync } from "node:fs";
import { join, posix, relative, sep } from "node:path";
import { fileURLToPath } from "node:url";
import ts from "typescript";

const root = fileURLToPath(new URL("..", import.meta.url));

/** A TypeScript file; `path` is relative to the repository and uses forward slashes. */
export interface SourceFile {
  readonly path: string;
  readonly text: string;
}

export interface ImportedName {
  /** As written, for instance `./frame.js` or `@fardel/core`. */
  readonly specifier: string;
  /** Path within the repository for a relative import, else the specifier. */
  readonly target: string;
  /** Names that are imported, `*` for all of them; empty for an import that takes no name. */
  readonly names: readonly string[];
}

/** All TypeScript files in a folder of the repository, tests left out on demand. */
export function sourceFiles(folder: string, options: { tests: boolean }): SourceFile[] {
  return readdirSync(join(root, folder), { recursive: true, withFileTypes: true })
    .filter((entry) => entry.isFile() && /\.[cm]?ts$/.test(entry.name))
    .map((entry) => relative(root, join(entry.parentPath, entry.name)).split(sep).join("/"))
    .filter((path) => !/(?:^|\/)(?:node_modules|dist)\//.test(path))
    .filter((path) => options.tests || !path.endsWith(".test.ts"))
    .map((path) => ({ path, text: readFileSync(join(root, path), "utf8") }));
}

/** Visits every node of the syntax tree: comments and the insides of strings are none. */
function visitAll(file: SourceFile, visit: (node: ts.Node) => void): void {
  const walk = (node: ts.Node): void => {
    visit(node);
    ts.forEachChild(node, walk);
  };
  walk(ts.createSourceFile(file.path, file.text, ts.ScriptTarget.ES2022, true));
}

/** Where time, chance, waiting and the machine's language would get in. */
const IMPURE_NAMES: ReadonlySet<string> = new Set([
  ...["Date", "performance", "setTimeout", "setInterval", "setImmediate", "queueMicrotask"],
  ...["Promise", "globalThis", "Intl", "localeCompare", "toLocaleString"],
]);

/** Code that makes the outcome depend on anything but the arguments, as `path:line: what`. */
export function impurities(file: SourceFile): string[] {
  const found: string[] = [];
  visitAll(file, (node) => {
    const what = impurity(node);
    if (what === undefined) return;
    const { line } = node.getSourceFile().getLineAndCharacterOfPosition(node.getStart());
    found.push(`${file.path}:${line + 1}: ${what}`);
  });
  return found;
}

function impurity(node: ts.Node): string | undefined {
  if (node.kind === ts.SyntaxKind.AsyncKeyword) return "async";
  if (node.kind === ts.SyntaxKind.AwaitExpression) return "await";
  if (!ts.isIdentifier(node)) return undefined;
  if (IMPURE_NAMES.has(node.text)) return node.text;
  if (node.text !== "Math") return undefined;
  // Taking Math apart or reading it by index could hide Math.random: only Math.name is fine.
  const { parent } = node;
  const isNamed = ts.isPropertyAccessExpression(parent) && parent.expression === node;
  return isNamed && parent.name.text !== "random" ? undefined : "Math.random";
}

/** What a file imports or re-exports, `import()` and `import("…")` types included. */
export function importsOf(file: SourceFile): ImportedName[] {
  const imports: ImportedName[] = [];
  const add = (specifier: ts.Node | undefined, names: readonly string[]): void => {
    if (specifier === undefined || !ts.isStringLiteralLike(specifier)) return;
    const isRelative = specifier.text.startsWith(".");
    const target = posix.join(posix.dirname(file.path), specifier.text);
    imports.push({
      specifier: specifier.text,
      target: isRelative ? target : specifier.text,
      names,
    });
  };
  visitAll(file, (node) => {
    if (ts.isImportDeclaration(node)) add(node.moduleSpecifier, importedNames(node));
    else if (ts.isExportDeclaration(node)) add(node.moduleSpecifier, reexportedNames(node));
    else if (ts.isImportTypeNode(node) && ts.isLiteralTypeNode(node.argument)) {
      add(node.argument.literal, [node.qualifier?.getText().split(".")[0] ?? "*"]);
    } else if (ts.isCallExpression(node) && node.expression.kind === ts.SyntaxKind.ImportKeyword) {
      add(node.arguments[0], ["*"]);
    }
  });
  return imports;
}

function importedNames({ importClause: clause }: ts.ImportDeclaration): string[] {
  const names = clause?.name === undefined ? [] : ["default"];
  const bindings = clause?.namedBindings;
  if (bindings === undefined) return names;
  if (ts.isNamespaceImport(bindings)) return [...names, "*"];
  return [
    ...names,
    ...bindings.elements.map(({ name, propertyName }) => (propertyName ?? name).text),
  ];
}

function reexportedNames({ exportClause: clause }: ts.ExportDeclaration): string[] {
  if (clause === undefined || !ts.isNamedExports(clause)) return ["*"];
  return clause.elements.map(({ name, propertyName }) => (propertyName ?? name).text);
}

/** Names that the declarations of a file export. */
export function exportedNames(file: SourceFile): string[] {
  const names: string[] = [];
  visitAll(file, (node) => {
    if (!ts.canHaveModifiers(node)) return;
    const isExported = ts
      .getModifiers(node)
      ?.some(({ kind }) => kind === ts.SyntaxKind.ExportKeyword);
    if (isExported !== true) return;
    if (ts.isVariableStatement(node)) {
      names.push(...node.declarationList.declarations.map(({ name }) => name.getText()));
    } else if ("name" in node) {
      names.push((node.name as ts.Identifier).text);
    }
  });
  return names;
}
