import { describe, expect, it } from "vitest";
import { Question, RequestNumbers } from "./question.js";

describe("request numbers", () => {
  it("go from 1 to 255 and begin anew", () => {
    const numbers = new RequestNumbers();
    const all = Array.from({ length: 256 }, () => numbers.next());
    expect(all.slice(0, 255)).toEqual(Array.from({ length: 255 }, (_, index) => index + 1));
    expect(all[255]).toBe(1);
  });
});

describe("a question", () => {
  const begun = (timesMax = 3) => {
    const question = new Question(new RequestNumbers(), timesMax);
    question.begin();
    return question;
  };

  it("is asked once, and again under its number when no answer comes", () => {
    const question = begun();
    expect(question.poll(0, 1000)).toBe(1);
    expect(question.poll(0, 1000)).toBeUndefined();
    expect(question.handleTimeout(999)).toBeUndefined();
    expect(question.handleTimeout(1000)).toBe("asked-again");
    expect(question.poll(1000, 1000)).toBe(1);
  });

  it("is over with its answer", () => {
    const question = begun();
    question.poll(0, 1000);
    expect(question.answer(2)).toBe(false);
    expect(question.answer(1)).toBe(true);
    expect(question.answer(1)).toBe(false);
    expect([question.isPending, question.timeoutUs]).toEqual([false, Number.POSITIVE_INFINITY]);
  });

  it("cannot be answered before it was asked", () => {
    expect(begun().answer(1)).toBe(false);
  });

  it("is given up when it was asked often enough", () => {
    const question = begun(2);
    question.poll(0, 10);
    question.handleTimeout(10);
    question.poll(10, 10);
    expect(question.handleTimeout(20)).toBe("given-up");
    expect(question.isPending).toBe(false);
  });

  it("leaves no answer for the next one", () => {
    const question = begun();
    question.poll(0, 10);
    question.begin();
    question.poll(5, 10);
    expect(question.answer(1)).toBe(false);
    expect(question.answer(2)).toBe(true);
  });
});
