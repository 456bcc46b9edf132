import { createHash, createHmac, hkdfSync } from "node:crypto";
import { p256 } from "@noble/curves/nist.js";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { isScalar, randomScalar, Spake2, scalarModuloOrder } from "./spake2.js";

const hex = (text: string) => Uint8Array.from(Buffer.from(text, "hex"));
const text = (name: string) => new TextEncoder().encode(name);

/** draft-irtf-cfrg-spake2-24 (September 2021), which became RFC 9382, appendix B: from the editors' repository. */
const VECTORS = [
  {
    nameA: "server",
    nameB: "client",
    w: "2ee57912099d31560b3a44b1184b9b4866e904c49d12ac5042c97dca461b1a5f",
    x: "43dd0fd7215bdcb482879fca3220c6a968e66d70b1356cac18bb26c84a78d729",
    pA: "04a56fa807caaa53a4d28dbb9853b9815c61a411118a6fe516a8798434751470f9010153ac33d0d5f2047ffdb1a3e42c9b4e6be662766e1eeb4116988ede5f912c",
    y: "dcb60106f276b02606d8ef0a328c02e4b629f84f89786af5befb0bc75b6e66be",
    pB: "0406557e482bd03097ad0cbaa5df82115460d951e3451962f1eaf4367a420676d09857ccbc522686c83d1852abfa8ed6e4a1155cf8f1543ceca528afb591a1e0b7",
    shared:
      "0412af7e89717850671913e6b469ace67bd90a4df8ce45c2af19010175e37eed69f75897996d539356e2fa6a406d528501f907e04d97515fbe83db277b715d3325",
    key: "0e0672dc86f8e45565d338b0540abe69",
    proofA: "58ad4aa88e0b60d5061eb6b5dd93e80d9c4f00d127c65b3b35b1b5281fee38f0",
    proofB: "d3e2e547f1ae04f2dbdbf0fc4b79f8ecff2dff314b5d32fe9fcef2fb26dc459b",
  },
  {
    nameA: "",
    nameB: "client",
    w: "0548d8729f730589e579b0475a582c1608138ddf7054b73b5381c7e883e2efae",
    x: "403abbe3b1b4b9ba17e3032849759d723939a27a27b9d921c500edde18ed654b",
    pA: "04a897b769e681c62ac1c2357319a3d363f610839c4477720d24cbe32f5fd85f44fb92ba966578c1b712be6962498834078262caa5b441ecfa9d4a9485720e918a",
    y: "903023b6598908936ea7c929bd761af6039577a9c3f9581064187c3049d87065",
    pB: "04e0f816fd1c35e22065d5556215c097e799390d16661c386e0ecc84593974a61b881a8c82327687d0501862970c64565560cb5671f696048050ca66ca5f8cc7fc",
    key: "642f05c473c2cd79909f9a841e2f30a7",
    proofA: "47d29e6666af1b7dd450d571233085d7a9866e4d49d2645e2df975489521232b",
    proofB: "3313c5cefc361d27fb16847a91c2a73b766ffa90a4839122a9b70a2f6bd1d6df",
  },
  {
    nameA: "server",
    nameB: "",
    w: "626e0cdc7b14c9db3e52a0b1b3a768c98e37852d5db30febe0497b14eae8c254",
    x: "07adb3db6bc623d3399726bfdbfd3d15a58ea776ab8a308b00392621291f9633",
    pA: "04f88fb71c99bfffaea370966b7eb99cd4be0ff1a7d335caac4211c4afd855e2e15a873b298503ad8ba1d9cbb9a392d2ba309b48bfd7879aefd0f2cea6009763b0",
    y: "b6a4fc8dbb629d4ba51d6f91ed1532cf87adec98f25dd153a75accafafedec16",
    pB: "040c269d6be017dccb15182ac6bfcd9e2a14de019dd587eaf4bdfd353f031101e7cca177f8eb362a6e83e7d5e729c0732e1b528879c086f39ba0f31a9661bd34db",
    key: "005184ff460da2ce59062c87733c299c",
    proofA: "bc9f9bbe99f26d0b2260e6456e05a86196a3307ec6663a18bf6ac825736533b2",
    proofB: "c2370e1bf813b086dff0d834e74425a06e6390f48f5411900276dcccc5a297ec",
  },
  {
    nameA: "",
    nameB: "",
    w: "7bf46c454b4c1b25799527d896508afd5fc62ef4ec59db1efb49113063d70cca",
    x: "8cef65df64bb2d0f83540c53632de911b5b24b3eab6cc74a97609fd659e95473",
    pA: "04a65b367a3f613cf9f0654b1b28a1e3a8a40387956c8ba6063e8658563890f46ca1ef6a676598889fc28de2950ab8120b79a5ef1ea4c9f44bc98f585634b46d66",
    y: "d7a66f64074a84652d8d623a92e20c9675c61cb5b4f6a0063e4648a2fdc02d53",
    pB: "04589f13218822710d98d8b2123a079041052d9941b9cf88c6617ddb2fcc0494662eea8ba6b64692dc318250030c6af045cb738bc81ba35b043c3dcb46adf6f58d",
    key: "fc6374762ba5cf11f4b2caa08b2cd1b9",
    proofA: "dfb4db8d48ae5a675963ea5e6c19d98d4ea028d8e898dad96ea19a80ade95dca",
    proofB: "d0f0609d1613138d354f7e95f19fb556bf52d751947241e8c7118df5ef0ae175",
  },
] as const;

const FIRST = VECTORS[0];

describe("SPAKE2", () => {
  it.each(VECTORS)("RFC 9382, appendix B: A = '$nameA', B = '$nameB'", (vector) => {
    const setting = {
      w: hex(vector.w),
      nameA: text(vector.nameA),
      nameB: text(vector.nameB),
    };
    const a = new Spake2("A", setting.w, hex(vector.x));
    const b = new Spake2("B", setting.w, hex(vector.y));
    expect(a.share).toEqual(hex(vector.pA));
    expect(b.share).toEqual(hex(vector.pB));
    const expected = {
      key: hex(vector.key),
      proofA: hex(vector.proofA),
      proofB: hex(vector.proofB),
    };
    expect(a.finish(setting, b.share)).toEqual(expected);
    expect(b.finish(setting, a.share)).toEqual(expected);
  });

  it("has additional data in the confirmation keys, as RFC 9382, section 4, says; the rest by OpenSSL", () => {
    const setting = { w: hex(FIRST.w), nameA: text("server"), nameB: text("client") };
    const a = new Spake2("A", setting.w, hex(FIRST.x));
    const additional = text("the transcript");
    const result = a.finish(setting, hex(FIRST.pB), additional);
    const prefixed = (bytes: Uint8Array) => [bytes.length, 0, 0, 0, 0, 0, 0, 0, ...bytes];
    const parts = [
      setting.nameA,
      setting.nameB,
      hex(FIRST.pA),
      hex(FIRST.pB),
      hex(FIRST.shared),
      setting.w,
    ];
    const transcript = Uint8Array.from(parts.flatMap(prefixed));
    const hash = createHash("sha256").update(transcript).digest();
    expect(new Uint8Array(hash.subarray(0, 16))).toEqual(hex(FIRST.key));
    const info = Buffer.concat([text("ConfirmationKeys"), additional]);
    const keys = Buffer.from(hkdfSync("sha256", hash.subarray(16), new Uint8Array(0), info, 32));
    const proof = (key: Uint8Array) =>
      new Uint8Array(createHmac("sha256", key).update(transcript).digest());
    expect(result?.proofA).toEqual(proof(keys.subarray(0, 16)));
    expect(result?.proofB).toEqual(proof(keys.subarray(16)));
  });

  it("ends in different proofs if anything differs", () => {
    const setting = { w: hex(FIRST.w), nameA: text("gateway"), nameB: text("row 4") };
    const a = new Spake2("A", setting.w, hex(FIRST.x));
    const b = new Spake2("B", setting.w, hex(FIRST.y));
    const right = a.finish(setting, b.share, text("same"))!;
    expect(b.finish(setting, a.share, text("same"))).toEqual(right);
    const proofs = [
      b.finish(setting, a.share, text("other")),
      b.finish({ ...setting, nameA: text("gatewax") }, a.share, text("same")),
      b.finish({ ...setting, nameB: text("row 5") }, a.share, text("same")),
      b.finish(setting, new Spake2("A", setting.w, hex(FIRST.y)).share, text("same")),
      new Spake2("B", hex(VECTORS[1].w), hex(FIRST.y)).finish(setting, a.share, text("same")),
    ].map((result) => result?.proofA);
    for (const proof of proofs) {
      expect(proof).toBeDefined();
      expect(proof).not.toEqual(right.proofA);
    }
  });

  it("takes no share that is not a point, the identity, or its own blinding point", () => {
    const setting = { w: hex(FIRST.w), nameA: text(""), nameB: text("") };
    const b = new Spake2("B", setting.w, hex(FIRST.y));
    const good = hex(FIRST.pA);
    const offCurve = good.slice();
    offCurve[64]! ^= 1;
    const p = "ffffffff00000001000000000000000000000000ffffffffffffffffffffffff";
    const tooLarge = hex(`04${p}${FIRST.pA.slice(66)}`);
    const M = p256.Point.fromHex(
      "02886e2f97ace46e55ba9dd7242579f2993b64e16ef3dcab95afd497333d8fa12f",
    );
    const blind = M.multiply(p256.Point.Fn.fromBytes(setting.w)).toBytes(false);
    const compressed = p256.Point.fromBytes(good).toBytes(true);
    for (const share of [
      offCurve,
      tooLarge,
      blind,
      compressed,
      new Uint8Array(65),
      Uint8Array.of(0),
      new Uint8Array(0),
      Uint8Array.of(4, ...new Uint8Array(64)),
      Uint8Array.from([...good, 0]),
    ])
      expect(b.finish(setting, share)).toBeUndefined();
    expect(b.finish(setting, good)).toBeDefined();
  });

  it("never throws, whatever share comes", () => {
    const setting = { w: hex(FIRST.w), nameA: text(""), nameB: text("") };
    const a = new Spake2("A", setting.w, hex(FIRST.x));
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 70 }), fc.constantFrom(0, 2, 3, 4), (rest, first) => {
        expect(a.finish(setting, Uint8Array.of(first, ...rest))).toBeUndefined();
      }),
    );
  });

  it("has scalars below the order, never 0", () => {
    const order = p256.Point.Fn.ORDER;
    const bytesOf = (value: bigint) => hex(value.toString(16).padStart(80, "0"));
    expect(scalarModuloOrder(bytesOf(order + 5n)).at(-1)).toBe(5);
    expect(isScalar(scalarModuloOrder(bytesOf(order)))).toBe(false);
    expect(isScalar(scalarModuloOrder(bytesOf(3n * order - 1n)))).toBe(true);
    expect(isScalar(hex(order.toString(16)))).toBe(false);
    for (const fill of [0, 0xff])
      expect(isScalar(randomScalar(new Uint8Array(48).fill(fill)))).toBe(true);
  });
});
