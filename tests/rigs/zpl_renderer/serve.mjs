// Draws one label for each line of JSON on standard input: {zpl, width_mm, height_mm, dots_per_mm}.
// Answers each with a line of JSON: {png} in base64, or {error}. Loading takes a moment, so one
// process serves a whole test run.
import { createInterface } from "node:readline";
import { ready } from "zpl-renderer-js";

const { api } = await ready;
for await (const line of createInterface({ input: process.stdin })) {
  const ask = JSON.parse(line);
  let answer;
  try {
    const png = await api.zplToBase64Async(ask.zpl, ask.width_mm, ask.height_mm, ask.dots_per_mm);
    answer = { png };
  } catch (error) {
    answer = { error: String(error) };
  }
  process.stdout.write(JSON.stringify(answer) + "\n");
}
