//! Everything the program is built from may be passed on with it.

use serde_json::Value;
use std::process::Command;

/// Licences (SPDX identifiers) that ask for no more than a notice, or, as the
/// MPL does, for changes to their own files.
const FINE: [&str; 16] = [
    "0BSD",
    "Apache-2.0",
    "BSD-1-Clause",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "PostgreSQL",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Packages that bring a text of their own instead of an identifier, and words of
/// it that have to stand in ours.
const OF_THEIR_OWN: [(&str, &str); 1] = [("aga8", "National Institute of Standards")];

/// Whether an SPDX expression can be met by licences that are fine.
fn is_fine(expression: &str) -> bool {
    // The slash is an old way to write OR.
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut rest = words.as_slice();
    let fine = any(&mut rest);
    fine && rest.is_empty()
}

fn any(rest: &mut &[&str]) -> bool {
    let mut fine = all(rest);
    while let Some(after) = rest.strip_prefix(&["OR"]) {
        *rest = after;
        fine |= all(rest);
    }
    fine
}

fn all(rest: &mut &[&str]) -> bool {
    let mut fine = one(rest);
    while let Some(after) = rest.strip_prefix(&["AND"]) {
        *rest = after;
        fine &= one(rest);
    }
    fine
}

fn one(rest: &mut &[&str]) -> bool {
    let Some((word, after)) = rest.split_first() else { return false };
    *rest = after;
    if *word == "(" {
        let fine = any(rest);
        let closed = rest.first() == Some(&")");
        *rest = rest.get(1..).unwrap_or_default();
        return fine && closed;
    }
    // An exception only ever allows more.
    if let [with, _, after @ ..] = *rest
        && *with == "WITH"
    {
        *rest = after;
    }
    FINE.contains(word)
}

#[test]
fn expressions_are_read_as_spdx_means_them() {
    for fine in [
        "MIT",
        "MIT/Apache-2.0",
        "MIT OR GPL-3.0-only",
        "GPL-2.0-only OR MIT AND ISC",
        "(MIT OR Apache-2.0) AND BSD-3-Clause",
        "Apache-2.0 WITH LLVM-exception",
    ] {
        assert!(is_fine(fine), "{fine}");
    }
    for not in [
        "",
        "GPL-3.0-only",
        "AGPL-3.0-or-later",
        "LGPL-2.1-or-later",
        "MIT AND GPL-3.0-only",
        "(MIT OR Apache-2.0) AND GPL-2.0-only",
        "GPL-2.0-only WITH Classpath-exception-2.0",
        "(MIT",
        "MIT ISC",
        "SSPL-1.0",
    ] {
        assert!(!is_fine(not), "{not}");
    }
}

#[test]
fn what_the_program_is_built_from_may_be_passed_on() {
    let run = |program: &str, arguments: &[&str]| {
        let output =
            Command::new(program).args(arguments).current_dir(env!("CARGO_MANIFEST_DIR")).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    let compiler = run("rustc", &["-vV"]);
    let host = compiler.lines().find_map(|line| line.strip_prefix("host: ")).unwrap();
    // Packages for other systems are not fetched and cannot be read offline.
    let text = run(
        env!("CARGO"),
        &["metadata", "--format-version=1", "--locked", "--offline", "--filter-platform", host],
    );
    let metadata: Value = serde_json::from_str(&text).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 100);
    let own = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/LICENSE")).unwrap();
    let mut unfit = Vec::new();
    for package in packages {
        let name = package["name"].as_str().unwrap();
        let fine = match package["license"].as_str() {
            Some(expression) => is_fine(expression),
            None => OF_THEIR_OWN.iter().any(|(known, words)| *known == name && own.contains(words)),
        };
        if !fine {
            unfit.push(format!("{name}: {}", package["license"]));
        }
    }
    assert!(unfit.is_empty(), "not to be passed on with a program under MIT or Apache-2.0: {unfit:#?}");
}
