import { describe, expect, it } from "vitest";
import { Inbox } from "./inbox.js";

/** An inbox, and which of its items have been released. */
function bench() {
  const inbox = new Inbox<string>();
  const released: string[] = [];
  const push = (item: string) => inbox.push(item, () => released.push(item));
  return { inbox, released, push };
}

describe("Inbox", () => {
  it("holds an item until its reader asks for the next one", async () => {
    const { inbox, released, push } = bench();
    push("a");
    push("b");
    const reader = inbox.read();
    expect(await reader.next()).toEqual({ done: false, value: "a" });
    expect(released).toEqual([]);
    expect(await reader.next()).toEqual({ done: false, value: "b" });
    expect(released).toEqual(["a"]);
    const waiting = reader.next();
    expect(released).toEqual(["a", "b"]);
    push("c");
    expect(await waiting).toEqual({ done: false, value: "c" });
    expect(released).toEqual(["a", "b"]);
    await reader.return?.();
    expect(released).toEqual(["a", "b", "c"]);
  });

  it("shares its items between two readers, each item once", async () => {
    const { inbox, released, push } = bench();
    const [first, second] = [inbox.read(), inbox.read()];
    const [one, two] = [first.next(), second.next()];
    push("a");
    push("b");
    push("c");
    expect([(await one).value, (await two).value]).toEqual(["a", "b"]);
    expect((await second.next()).value).toBe("c");
    expect(released).toEqual(["b"]);
    await first.return?.();
    expect(released).toEqual(["b", "a"]);
  });

  it("serves waiting readers in the order in which they asked", async () => {
    const { inbox, push } = bench();
    const reader = inbox.read();
    const asked = [reader.next(), reader.next(), reader.next()];
    expect(push("a")).toBe(true);
    push("b");
    push("c");
    expect((await Promise.all(asked)).map(({ value }) => value)).toEqual(["a", "b", "c"]);
    expect(push("d")).toBe(false);
  });

  it("ends its readers when it is closed, once they have read what is here", async () => {
    const { inbox, released, push } = bench();
    push("a");
    inbox.close();
    const reader = inbox.read();
    expect((await reader.next()).value).toBe("a");
    expect(await reader.next()).toEqual({ done: true, value: undefined });
    expect(await reader.next()).toEqual({ done: true, value: undefined });
    // Too late: given back at once.
    expect(push("b")).toBe(false);
    expect(released).toEqual(["a", "b"]);
  });

  it("ends those who wait, with the error if there is one, and also those who come later", async () => {
    const { inbox } = bench();
    const failure = new Error("the rest will not come");
    const waiting = inbox.read().next();
    inbox.close(failure);
    await expect(waiting).rejects.toBe(failure);
    await expect(inbox.read().next()).rejects.toBe(failure);
  });

  it("gives the error only after what was here", async () => {
    const { inbox, push } = bench();
    push("a");
    inbox.close(new Error("broken"));
    const seen: string[] = [];
    const read = async () => {
      for await (const item of inbox.read()) seen.push(item);
    };
    await expect(read()).rejects.toThrow("broken");
    expect(seen).toEqual(["a"]);
  });

  it("discards what nobody has read, and gives it back", async () => {
    const { inbox, released, push } = bench();
    push("a");
    push("b");
    const reader = inbox.read();
    await reader.next();
    inbox.discard();
    expect(released).toEqual(["b"]);
    push("c");
    expect((await reader.next()).value).toBe("c");
    expect(released).toEqual(["b", "a"]);
  });

  it("leaving a loop gives back the item in hand, and the others to the next reader", async () => {
    const { inbox, released, push } = bench();
    for (const item of ["a", "b"]) push(item);
    for await (const item of inbox.read()) {
      expect(item).toBe("a");
      break;
    }
    expect(released).toEqual(["a"]);
    expect((await inbox.read().next()).value).toBe("b");
  });
});
