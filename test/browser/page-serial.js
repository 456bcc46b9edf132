// Runs in a page, before anything of the page's own: a `navigator.serial` with one port, whose cable
// ends in the test. Behaves as the draft of Web Serial says, as far as anybody here looks. The test
// gives `serialOpen`, `serialWrite` and `serialClose`, and calls `serialFeed` and `serialUnplug`.
{
  const listeners = new Set();
  let controller;

  const port = {
    readable: null,
    writable: null,
    async open({ baudRate }) {
      const fault = await globalThis.serialOpen(baudRate);
      if (fault !== "") throw new DOMException(fault, "NetworkError");
      port.readable = new ReadableStream({
        start(own) {
          controller = own;
        },
      });
      port.writable = new WritableStream({
        write: (bytes) => globalThis.serialWrite([...bytes]),
      });
    },
    async close() {
      port.readable = null;
      port.writable = null;
      await globalThis.serialClose();
    },
    getInfo: () => ({ usbVendorId: 0x1209, usbProductId: 0x00b1 }),
    addEventListener: (_type, listener) => listeners.add(listener),
    removeEventListener: (_type, listener) => listeners.delete(listener),
  };

  globalThis.serialFeed = (bytes) => {
    if (port.readable) controller.enqueue(Uint8Array.from(bytes));
  };
  globalThis.serialUnplug = () => {
    port.readable = null;
    controller.error(new DOMException("The device has been lost.", "NetworkError"));
    for (const listener of [...listeners]) listener();
  };
  Object.defineProperty(navigator, "serial", {
    value: { requestPort: async () => port, getPorts: async () => [port] },
  });
}
