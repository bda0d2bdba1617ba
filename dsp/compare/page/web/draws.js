// SPDX-License-Identifier: GPL-3.0-or-later
// Blind listening without a page: what is drawn, answered and kept. `random` gives a number from
// 0 to 2^32 - 1; what it drew stays in these closures until the listener is done.

export function cryptoRandom() {
  return crypto.getRandomValues(new Uint32Array(1))[0];
}

// A whole number below `count`, each as likely.
export function below(count, random) {
  const limit = Math.floor(2 ** 32 / count) * count;
  let value = random();
  while (value >= limit) value = random();
  return value % count;
}

export function shuffled(items, random) {
  const out = [...items];
  for (let i = out.length - 1; i > 0; i--) {
    const j = below(i + 1, random);
    [out[i], out[j]] = [out[j], out[i]];
  }
  return out;
}

// X is A or B, drawn anew for each of `count` trials.
export function trials(count, random) {
  const answers = [];
  let x = below(2, random);
  return {
    count,
    done: () => answers.length,
    finished: () => answers.length === count,
    // Gives the hidden one of two equal things; for the audio graph alone.
    hidden: (a, b) => (x === 0 ? a : b),
    answer(says) {
      if (answers.length === count) throw new Error("the test is over");
      answers.push({ x: x === 0 ? "A" : "B", answer: says });
      x = below(2, random);
    },
    result() {
      if (answers.length < count) throw new Error("the test is not over");
      const right = answers.filter((one) => one.x === one.answer).length;
      return { trials: answers.map((one) => ({ ...one })), right, count };
    },
  };
}

// Sounds under drawn labels, to be put in order; `labels` are in the order of the alphabet.
export function ranking(count, random) {
  const letters = "PQRSTUVWXYZABCDEFGHIJKLMNO";
  const labels = Array.from({ length: count }, (_, i) =>
    letters[i % 26] + (i < 26 ? "" : Math.floor(i / 26)));
  const behind = shuffled(labels.map((_, i) => i), random);
  const order = [...labels];
  return {
    labels,
    order,
    hidden: (label, things) => things[behind[labels.indexOf(label)]],
    // Move a label by `step` places toward the worst.
    move(label, step) {
      const from = order.indexOf(label);
      const to = Math.max(0, Math.min(order.length - 1, from + step));
      order.splice(to, 0, ...order.splice(from, 1));
      return to;
    },
    result: () => order.map((label) => ({ label, index: behind[labels.indexOf(label)] })),
  };
}
