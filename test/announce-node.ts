/** Says which Node runs the tests, so that a log proves what it was checked on. */
export default function announceNode(): void {
  console.error(`Tests run on Node ${process.version}.`);
}
