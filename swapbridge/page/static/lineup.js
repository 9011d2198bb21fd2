// @ts-check
// Two recordings on one line of time: by how many seconds the second is moved, and its lines moved so. No page needed.

const MOST_WORDS = 30;

/**
 * @typedef {object} Recorded
 * @property {number} start seconds of its first frame by the logger's clock
 * @property {number[]} span
 * @property {{name: string, blocks: [number, number, string][]}[]} blocks
 */

/** Ways to line the second recording up with the first: in words, and the seconds it is moved by.
 * @param {Recorded} mine @param {Recorded} other @returns {{words: string, shift: number}[]} */
export function lineUps(mine, other) {
  const clock = other.start - mine.start, out = [];
  if (clock < mine.span[1] && clock + other.span[1] > 0) out.push({ words: "by their clocks", shift: clock });
  out.push({ words: "both beginnings", shift: 0 });
  for (const channel of mine.blocks) {
    const there = other.blocks.find((c) => c.name === channel.name), seen = new Set();
    for (const [begin, , word] of there ? channel.blocks : []) {
      const match = there?.blocks.find((b) => b[2] === word);
      if (!match || seen.has(word) || out.length >= MOST_WORDS) continue;
      seen.add(word);
      out.push({ words: `where ${channel.name} says ${word}`, shift: begin - match[0] });
    }
  }
  return out;
}

/** A line moved along the axis; it ends where its recording does.
 * @template {{times: number[]}} L @param {L} line @param {number} shift @param {number} end */
export function moved(line, shift, end) {
  return { ...line, times: line.times.map((t) => t + shift), end: end + shift };
}

/** Blocks moved along the axis.
 * @param {{name: string, blocks: [number, number, string][]}} channel @param {number} shift */
export function movedBlocks(channel, shift) {
  return { ...channel, blocks: channel.blocks.map(([a, b, words]) => /** @type {[number, number, string]} */ ([a + shift, b + shift, words])) };
}
