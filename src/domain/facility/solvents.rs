//! Solvents and what they do to a purifier.
//!
//! Halogenated solvents, amines, thiols, phosphines and sulfur compounds
//! poison the copper catalyst (common practice, no source): such work runs
//! with the circulation off and is followed by a purge.

use crate::domain::names::Name;
use serde::{Deserialize, Serialize};

/// Families of solvents, as far as a purifier cares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SolventClass {
    /// Alkanes and arenes.
    Hydrocarbon,
    /// Ethers, tetrahydrofuran among them.
    Ether,
    /// Alcohols.
    Alcohol,
    /// Nitriles.
    Nitrile,
    /// Carbonates, esters, ketones and amides.
    Carbonyl,
    /// Chlorinated, brominated and fluorinated.
    Halogenated,
    /// Amines and pyridines.
    Amine,
    /// Thiols and thioethers.
    Thiol,
    /// Phosphines.
    Phosphine,
    /// Other sulfur compounds.
    Sulfur,
    /// Not known to drykeep: treated as a catalyst poison.
    Unknown,
}

impl SolventClass {
    /// Every class.
    pub const ALL: [Self; 11] = [
        Self::Hydrocarbon,
        Self::Ether,
        Self::Alcohol,
        Self::Nitrile,
        Self::Carbonyl,
        Self::Halogenated,
        Self::Amine,
        Self::Thiol,
        Self::Phosphine,
        Self::Sulfur,
        Self::Unknown,
    ];

    /// The word for the class.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Hydrocarbon => "hydrocarbon",
            Self::Ether => "ether",
            Self::Alcohol => "alcohol",
            Self::Nitrile => "nitrile",
            Self::Carbonyl => "carbonyl",
            Self::Halogenated => "halogenated",
            Self::Amine => "amine",
            Self::Thiol => "thiol",
            Self::Phosphine => "phosphine",
            Self::Sulfur => "sulfur",
            Self::Unknown => "unknown",
        }
    }

    /// The class a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|class| class.word() == word)
    }
}

/// A solvent as a booking names it, with the class it was put in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Solvent {
    /// The name as given.
    pub name: Name,
    /// Its class.
    pub class: SolventClass,
}

/// Common names and abbreviations and their class, all in lower case.
const KNOWN: &[(&str, SolventClass)] = &[
    ("pentane", SolventClass::Hydrocarbon),
    ("hexane", SolventClass::Hydrocarbon),
    ("hexanes", SolventClass::Hydrocarbon),
    ("heptane", SolventClass::Hydrocarbon),
    ("cyclohexane", SolventClass::Hydrocarbon),
    ("toluene", SolventClass::Hydrocarbon),
    ("benzene", SolventClass::Hydrocarbon),
    ("xylene", SolventClass::Hydrocarbon),
    ("diethyl ether", SolventClass::Ether),
    ("ether", SolventClass::Ether),
    ("thf", SolventClass::Ether),
    ("tetrahydrofuran", SolventClass::Ether),
    ("dme", SolventClass::Ether),
    ("dimethoxyethane", SolventClass::Ether),
    ("dioxane", SolventClass::Ether),
    ("methanol", SolventClass::Alcohol),
    ("ethanol", SolventClass::Alcohol),
    ("isopropanol", SolventClass::Alcohol),
    ("acetonitrile", SolventClass::Nitrile),
    ("mecn", SolventClass::Nitrile),
    ("acetone", SolventClass::Carbonyl),
    ("ethyl acetate", SolventClass::Carbonyl),
    ("ethylene carbonate", SolventClass::Carbonyl),
    ("propylene carbonate", SolventClass::Carbonyl),
    ("dimethyl carbonate", SolventClass::Carbonyl),
    ("diethyl carbonate", SolventClass::Carbonyl),
    ("dmf", SolventClass::Carbonyl),
    ("dimethylformamide", SolventClass::Carbonyl),
    ("nmp", SolventClass::Carbonyl),
    ("dichloromethane", SolventClass::Halogenated),
    ("dcm", SolventClass::Halogenated),
    ("methylene chloride", SolventClass::Halogenated),
    ("chloroform", SolventClass::Halogenated),
    ("carbon tetrachloride", SolventClass::Halogenated),
    ("chlorobenzene", SolventClass::Halogenated),
    ("dichlorobenzene", SolventClass::Halogenated),
    ("trifluorotoluene", SolventClass::Halogenated),
    ("triethylamine", SolventClass::Amine),
    ("diisopropylamine", SolventClass::Amine),
    ("pyridine", SolventClass::Amine),
    ("butylamine", SolventClass::Amine),
    ("ethanethiol", SolventClass::Thiol),
    ("dodecanethiol", SolventClass::Thiol),
    ("thiophenol", SolventClass::Thiol),
    ("trioctylphosphine", SolventClass::Phosphine),
    ("triphenylphosphine", SolventClass::Phosphine),
    ("tributylphosphine", SolventClass::Phosphine),
    ("dmso", SolventClass::Sulfur),
    ("dimethyl sulfoxide", SolventClass::Sulfur),
    ("carbon disulfide", SolventClass::Sulfur),
];

impl Solvent {
    /// Puts a named solvent in its class: a class's own word, a known name or
    /// abbreviation, else [`SolventClass::Unknown`].
    pub fn classify(name: Name) -> Self {
        let folded = name.as_str().to_lowercase();
        let class = SolventClass::from_word(&folded)
            .or_else(|| KNOWN.iter().find(|(known, _)| *known == folded).map(|(_, class)| *class))
            .unwrap_or(SolventClass::Unknown);
        Self { name, class }
    }
}

/// Which classes a purifier's policy refuses, and which it lets in only with
/// the circulation off.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SolventRules {
    /// Work with these runs with the circulation off and a purge after it.
    pub circulation_off: Vec<SolventClass>,
    /// Work with these is not allowed in the box at all.
    pub refused: Vec<SolventClass>,
}

impl Default for SolventRules {
    fn default() -> Self {
        Self {
            circulation_off: vec![
                SolventClass::Halogenated,
                SolventClass::Amine,
                SolventClass::Thiol,
                SolventClass::Phosphine,
                SolventClass::Sulfur,
                SolventClass::Unknown,
            ],
            refused: Vec::new(),
        }
    }
}
