//! What to beware of in a visit. Common practice, no source; none of it is an
//! assessment, which is for local codes and qualified people.

use crate::domain::booking::Caution;
use crate::domain::names::Word;

/// The cautions that go with some tasks, and with a purge.
pub fn cautions<'a>(tasks: impl Iterator<Item = &'a Word>, purged: bool) -> Vec<Caution> {
    let mut cautions: Vec<Caution> = Vec::new();
    let mut add = |code: &str, text: &str| {
        if cautions.iter().all(|known| known.code != code) {
            cautions.push(Caution::new(code, text));
        }
    };
    for task in tasks {
        match task.as_str() {
            "purifier_regeneration" => {
                add(
                    "hydrogen",
                    "Regeneration gas contains hydrogen, and whether the mixture can burn depends on the balance gas. \
                     Exhaust, leaks and ignition sources are for local codes and qualified people to judge.",
                );
                add(
                    "no_purification",
                    "The box has no purification while its only column regenerates: whatever reacts with oxygen or \
                     water is closed up beforehand.",
                );
            }
            "cylinder_swap" | "regulator_inspection" => add(
                "compressed_gas",
                "Compressed gas: cylinders are secured, moved and connected by trained people only, by the \
                 supplier's data sheet and local codes. Escaping gas displaces the room's oxygen unnoticed.",
            ),
            "glove_change" | "door_seal_change" | "filter_change" | "solvent_trap_change" => add(
                "open_to_air",
                "Air may get into the box: pyrophoric and water-reactive materials are closed up or taken out \
                 beforehand, by people qualified for them.",
            ),
            _ => {}
        }
    }
    if purged {
        add(
            "asphyxiation",
            "Purging lets a lot of gas into the room, and no sense notices missing oxygen. Ventilation, oxygen \
             monitoring and whether somebody stays until the purge has ended are for local codes and qualified \
             people to decide; nobody is planned for it here.",
        );
    }
    cautions
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_caution_stands_once_and_none_says_that_something_is_safe() {
        let words = ["purifier_regeneration", "glove_change", "filter_change", "cylinder_swap", "other"];
        let words: Vec<Word> = words.iter().map(|word| Word::parse(word).unwrap()).collect();
        let found = cautions(words.iter(), true);
        let codes: Vec<&str> = found.iter().map(|caution| caution.code.as_str()).collect();
        assert_eq!(codes, ["hydrogen", "no_purification", "open_to_air", "compressed_gas", "asphyxiation"]);
        assert!(found.iter().all(|caution| !caution.text.contains("safe")));
    }
}
