// Blind trials: what guessing would do.

/** Chance of at least `right` of `rounds` with one half for each round, exact. */
function chanceOfGuessing(right, rounds) {
  const all = BigInt(rounds);
  let ways = 1n;
  let enough = 0n;
  for (let k = 0n; k <= all; k += 1n) {
    if (k >= BigInt(right)) enough += ways;
    ways = (ways * (all - k)) / (k + 1n);
  }
  return Number(enough) / 2 ** rounds;
}

/** The finding in one plain sentence. */
function plainSentence(right, rounds, first, second) {
  const chance = chanceOfGuessing(right, rounds);
  const told = `You were right in ${right} of ${rounds} rounds. `;
  const often = chance > 0.75
    ? "Someone who only guesses does at least that well most of the time"
    : `Someone who only guesses does at least that well about once in ${Math.round(1 / chance)} trials`;
  return chance <= 0.05
    ? `${told}${often}, so you very probably do hear the difference between ${first} and ${second}.`
    : `${told}${often}, so this does not show that you hear a difference between ${first} and ${second}; it does not show that there is none either.`;
}
