import { expect, it } from "vitest";
import { outcomeOfError } from "./outcome.js";

it.each(["EAGAIN", "EWOULDBLOCK", "ENOBUFS", "ENOMEM", "EMSGSIZE"])(
  "%s: the datagram did not leave, whoever it was for",
  (code) => {
    expect(outcomeOfError(code, false)).toBe("refused");
    expect(outcomeOfError(code, true)).toBe("refused");
  },
);

it.each(["ENETUNREACH", "EHOSTUNREACH", "ENETDOWN", "EINVAL", "EPERM", "EACCES", "ECONNREFUSED"])(
  "%s: this one destination is missed, and the link is as good as before",
  (code) => {
    expect(outcomeOfError(code, false)).toBe("not-acknowledged");
    expect(outcomeOfError(code, true)).toBe("refused");
  },
);
