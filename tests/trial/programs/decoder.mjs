// A decoder of a page, tried with: dryload check-decoder "node decoder.mjs"
import { createInterface } from "node:readline";

const number = (groups) => groups.reduceRight((value, group) => value * 128 + group, 0);

function* messages(dump) {
  let message = null;
  for (const byte of dump) {
    if (byte >= 0xf8) continue; // real-time bytes may fall anywhere
    if (byte === 0xf0) message = [];
    message?.push(byte);
    if (byte === 0xf7 && message) yield message;
    if (byte > 0x7f && byte !== 0xf0) message = null;
  }
}

export function decode(dump) {
  let header = null, words = [], packets = 0;
  for (const message of messages(dump)) {
    if (message[1] !== 0x7e || (header && words.length >= header.length)) continue;
    if (message[3] === 0x01 && message.length === 21) {
      const period = number(message.slice(7, 10));
      header = { bits: message[6], rate: 1e9 / period, length: number(message.slice(10, 13)) };
      if (header.bits < 8 || header.bits > 28 || !period) throw new Error("the header is wrong");
      header.number = number(message.slice(4, 6));
      words = [], packets = 0;
    } else if (message[3] === 0x02 && header) {
      const sum = message.slice(1, 125).reduce((a, b) => a ^ b);
      if (message.length !== 127 || message[125] !== sum) throw new Error("a packet is damaged");
      if (packets && message[4] === (packets - 1) % 128) continue; // it came again
      if (message[4] !== packets++ % 128) throw new Error("a packet is missing");
      const size = Math.ceil(header.bits / 7);
      for (let at = 5; at + size <= 125; at += size) {
        const value = message.slice(at, at + size).reduce((a, b) => a * 128 + b, 0);
        words.push((value >> (7 * size - header.bits)) - 2 ** (header.bits - 1));
      }
    }
  }
  if (!header || words.length < header.length) throw new Error("packets or the header are missing");
  return { words: words.slice(0, header.length), bits: header.bits, rate: header.rate, number: header.number };
}

for await (const line of createInterface({ input: process.stdin })) {
  try {
    console.log(JSON.stringify(decode(Buffer.from(JSON.parse(line).dump, "hex"))));
  } catch (problem) {
    console.log(JSON.stringify({ declined: problem.message }));
  }
}
