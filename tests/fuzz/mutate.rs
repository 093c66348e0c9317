//! Inputs made from others: a few bytes or words changed, pieces left out, doubled or
//! taken from elsewhere, numbers made extreme.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};

/// Longest input, bytes.
const LONGEST: usize = 2048;
/// Inputs kept to be mutated further.
const MOST_KEPT: usize = 2000;

/// Pieces that parsers of any of the kinds take notice of.
const WORDS: [&[u8]; 44] = [
    b"\n",
    b"\r\n",
    b" ",
    b"\t",
    b"\0",
    b"\"",
    b"\\",
    b",",
    b";",
    b":",
    b"=",
    b"-",
    b"+",
    b".",
    b"{",
    b"}",
    b"[",
    b"]",
    b"null",
    b"true",
    b"NaN",
    b"1e999",
    b"-0",
    b"9223372036854775808",
    b"\xef\xbb\xbf",
    b"\xff",
    "é".as_bytes(),
    "\u{202e}".as_bytes(),
    b"FREQ=",
    b"BYDAY=",
    b"UNTIL=",
    b"COUNT=",
    b"INTERVAL=",
    b"BEGIN:",
    b"END:",
    b"DTSTART",
    b"TZID=",
    b"P1Y",
    b"PT",
    b"T",
    b"Z",
    b"2026-02-30",
    b"23:59:60",
    b"0000",
];

pub(crate) struct Mutator {
    chance: ChaCha8Rng,
    seeds: Vec<Vec<u8>>,
    kept: Vec<Vec<u8>>,
}

impl Mutator {
    pub(crate) fn new(seed: u64, seeds: Vec<Vec<u8>>) -> Self {
        Self { chance: ChaCha8Rng::seed_from_u64(seed), seeds, kept: Vec::new() }
    }

    /// An input to mutate further.
    pub(crate) fn keep(&mut self, input: Vec<u8>) {
        if self.kept.len() < MOST_KEPT {
            self.kept.push(input);
        } else {
            let place = self.below(MOST_KEPT);
            self.kept[place] = input;
        }
    }

    fn below(&mut self, most: usize) -> usize {
        let most = u64::try_from(most.max(1)).unwrap();
        usize::try_from(self.chance.next_u64() % most).unwrap()
    }

    fn known(&mut self) -> Vec<u8> {
        // Half from the corpus, so that the search does not drift away from it.
        if self.kept.is_empty() || self.below(2) == 0 {
            let place = self.below(self.seeds.len());
            self.seeds[place].clone()
        } else {
            let place = self.below(self.kept.len());
            self.kept[place].clone()
        }
    }

    /// The next input.
    pub(crate) fn next(&mut self) -> Vec<u8> {
        let mut input = self.known();
        for _ in 0..=self.below(4) {
            self.change(&mut input);
        }
        input.truncate(LONGEST);
        input
    }

    /// A stretch of an input: where it begins and ends.
    fn stretch(&mut self, input: &[u8]) -> (usize, usize) {
        let from = self.below(input.len() + 1);
        let to = from + self.below((input.len() - from).min(24) + 1);
        (from, to)
    }

    fn change(&mut self, input: &mut Vec<u8>) {
        let (from, to) = self.stretch(input);
        match self.below(8) {
            0 if from < input.len() => input[from] ^= 1 << self.below(8),
            1 if from < input.len() => input[from] = self.chance.next_u64().to_le_bytes()[0],
            2 => drop(input.drain(from..to)),
            3 => {
                let again = input[from..to].to_vec();
                input.splice(to..to, again);
            }
            4 => {
                let word = WORDS[self.below(WORDS.len())];
                input.splice(from..from, word.iter().copied());
            }
            5 => {
                let word = WORDS[self.below(WORDS.len())];
                input.splice(from..to, word.iter().copied());
            }
            6 => {
                let other = self.known();
                let (start, end) = self.stretch(&other);
                input.splice(from..to, other[start..end].iter().copied());
            }
            // A digit becomes another, so that what was valid often stays so.
            _ => {
                let digits: Vec<usize> = (0..input.len()).filter(|at| input[*at].is_ascii_digit()).collect();
                if !digits.is_empty() {
                    let at = digits[self.below(digits.len())];
                    input[at] = b"0123456789"[self.below(10)];
                }
            }
        }
    }
}
