// SPDX-License-Identifier: GPL-3.0-or-later
// How likely a score is for someone who guesses, and what that means.

// Probability of at least `right` of `count` when each is right by chance with one half.
export function atLeast(right, count) {
  let term = 1; // count choose k, from k = count down
  let sum = 0;
  for (let k = count; k >= right; k--) {
    sum += term;
    term = (term * k) / (count - k + 1);
  }
  return sum / 2 ** count;
}

// Fewest right answers that a guesser reaches in at most `share` of all tests; count + 1 if none.
export function needed(count, share = 0.05) {
  let right = count + 1;
  while (right > 0 && atLeast(right - 1, count) <= share) right--;
  return right;
}

export function percent(share) {
  const value = 100 * share;
  if (value < 0.1) return "less than 0.1 %";
  return `${value >= 10 ? value.toFixed(0) : value.toFixed(1)} %`;
}

export function meaning(right, count) {
  const p = atLeast(right, count);
  const guess = `Someone who only guesses gets ${right} or more of ${count} right in ` +
    `${percent(p)} of such tests.`;
  if (p <= 0.01) return `${guess} You heard a difference: chance is a poor explanation.`;
  if (p <= 0.05) {
    return `${guess} That is good evidence that you heard a difference; one test in twenty ` +
      "reaches this by luck, so repeat it if much hangs on it.";
  }
  return `${guess} That is too often to say that you heard a difference. It does not show that ` +
    "there is none: more trials, a shorter loop or another stretch may tell.";
}
