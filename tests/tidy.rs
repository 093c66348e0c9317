//! The rules of the house that a compiler does not check: arrows between the
//! rooms point down, each outside library stays in its room, the time is read
//! in one place, files stay short and nothing is left undone.

#![expect(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::fs;
use std::path::{Path, PathBuf};

/// A room and the rooms below it that it may use; each may use itself.
const ROOMS: &[(&str, &[&str])] = &[
    ("main", &["cli"]),
    ("cli", &["server", "api", "identity", "usecases", "domain", "store", "telemetry", "config", "clock"]),
    ("server", &["api", "pages", "identity", "usecases", "outbox", "telemetry", "config", "clock"]),
    ("api", &["usecases", "identity", "domain"]),
    ("pages", &["usecases", "identity", "domain"]),
    ("usecases", &["domain", "store", "clock"]),
    ("outbox", &["store", "domain", "clock", "certificates"]),
    ("identity", &["domain", "clock", "certificates"]),
    ("certificates", &[]),
    ("store", &["domain"]),
    ("domain", &[]),
    ("telemetry", &["config"]),
    ("config", &["identity", "domain", "clock"]),
    ("clock", &["domain"]),
    ("lib", &[]),
    ("build", &[]),
];

/// Files that may use one room more, and why. The list may only grow shorter:
/// an entry that is no longer needed fails.
const EXCEPTIONS: &[(&str, &str, &str)] = &[
    ("src/api/problem.rs", "store", "translates what the store reports into problems"),
    ("src/api/problem.rs", "telemetry", "names the request in each problem"),
    ("src/config.rs", "store", "parses the address of the database"),
    ("src/config.rs", "telemetry", "parses the form of the log"),
];

/// Outside libraries, and the rooms that may know of them.
const LIBRARIES: &[(&str, &[&str])] = &[
    ("diesel", &["store"]),
    ("diesel_migrations", &["store"]),
    ("actix_cors", &["server"]),
    ("actix_web", &["api", "pages", "server", "telemetry", "cli"]),
    ("maud", &["pages"]),
    ("tracing_actix_web", &["server", "telemetry"]),
    ("utoipa", &["api", "server"]),
    ("utoipa_actix_web", &["api", "server"]),
    ("utoipa_swagger_ui", &["api", "server"]),
    ("jsonwebtoken", &["identity"]),
    ("clap", &["cli"]),
    ("ureq", &["outbox", "identity", "certificates"]),
    ("tokio", &["store", "identity", "telemetry", "server", "cli"]),
];

/// Words in code, and the only places where they may stand.
const KEPT_IN_PLACE: &[(&str, &[&str])] = &[
    ("Utc::now", &["src/clock.rs"]),
    ("Local::now", &[]),
    ("SystemTime", &["src/clock.rs"]),
    ("now_v7", &["src/clock.rs", "src/telemetry.rs"]),
    ("new_v4", &[]),
    ("getrandom", &["src/clock.rs", "src/config.rs"]),
    ("println!", &["src/cli/", "src/build.rs"]),
    ("eprintln!", &["src/cli/"]),
    ("print!", &["src/cli/"]),
    ("eprint!", &["src/cli/"]),
    ("stdout", &["src/cli/"]),
    ("stderr", &["src/cli/", "src/telemetry.rs"]),
    ("env::var", &["src/config.rs"]),
];

/// Words in the domain's code that would make it impure.
const IMPURE: &[&str] = &["std::fs", "std::io", "std::env", "std::net", "std::process", "std::thread"];

/// Words that say something is left undone; written apart, or this file would hold them.
const UNDONE: &[&str] =
    &[concat!("TO", "DO"), concat!("FIX", "ME"), concat!("to", "do!"), concat!("unimple", "mented!")];

/// The most lines of a file.
const LONGEST_FILE: usize = 600;

/// One source file.
struct Source {
    /// Path from the root of the repository, with `/`.
    path: String,
    /// As it stands.
    text: String,
    /// With comments and literals blanked out.
    code: String,
}

impl Source {
    fn new(path: &str, text: &str) -> Self {
        Self { path: path.to_owned(), text: text.to_owned(), code: code_of(text) }
    }

    /// The modules that lead to it: `src/api/rooms.rs` is `api`, `rooms`.
    fn module(&self) -> Vec<&str> {
        let inner = self.path.trim_start_matches("src/").trim_end_matches(".rs");
        inner.trim_end_matches("/mod").split('/').collect()
    }

    fn room(&self) -> &str {
        self.module()[0]
    }

    /// Each place that a word stands in the code, as a whole word where it begins or ends like one.
    fn places<'a>(&'a self, word: &'a str) -> impl Iterator<Item = usize> + 'a {
        let part = |c: char| c.is_alphanumeric() || c == '_';
        self.code.match_indices(word).map(|(at, _)| at).filter(move |at| {
            let before = self.code[..*at].chars().next_back();
            let after = self.code[at + word.len()..].chars().next();
            !(before.is_some_and(part) && word.starts_with(part)
                || after.is_some_and(part) && word.ends_with(part))
        })
    }

    fn line(&self, at: usize) -> usize {
        self.code[..at].matches('\n').count() + 1
    }

    fn at(&self, at: usize) -> String {
        format!("{}:{}", self.path, self.line(at))
    }
}

/// Blanks comments, strings and characters, so that what is left is code; the
/// lines stay where they are.
fn code_of(text: &str) -> String {
    let mut code = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let length = foreign(rest).unwrap_or(0);
        if length == 0 {
            code.push(first);
            rest = &rest[first.len_utf8()..];
            // A word is taken whole, so that the r of `for` opens no raw string.
            if first.is_alphanumeric() || first == '_' {
                let end = rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len());
                code.push_str(&rest[..end]);
                rest = &rest[end..];
            }
            continue;
        }
        let (blanked, after) = rest.split_at(length);
        code.push(' ');
        code.extend(blanked.chars().filter(|c| *c == '\n'));
        rest = after;
    }
    code
}

/// How many bytes of comment or literal the text begins with, if any.
fn foreign(text: &str) -> Option<usize> {
    let whole = text.len();
    if text.starts_with("//") {
        return Some(text.find('\n').unwrap_or(whole));
    }
    if text.starts_with("/*") {
        return Some(text.find("*/").map_or(whole, |end| end + 2));
    }
    let plain = text.strip_prefix('b').unwrap_or(text);
    let prefix = whole - plain.len();
    if let Some(raw) = plain.strip_prefix('r') {
        let hashes = raw.len() - raw.trim_start_matches('#').len();
        if raw[hashes..].starts_with('"') {
            let close = format!("\"{}", "#".repeat(hashes));
            let from = hashes + 1;
            let end = raw[from..].find(&close).map_or(raw.len(), |end| from + end + close.len());
            return Some(prefix + 1 + end);
        }
    }
    if plain.starts_with('"') {
        return Some(prefix + quoted(plain, '"'));
    }
    let mut letters = plain.chars();
    let is_letter =
        letters.next() == Some('\'') && (letters.next() == Some('\\') || letters.next() == Some('\''));
    is_letter.then(|| prefix + quoted(plain, '\''))
}

/// Bytes of the literal that the text begins with, its quotes included.
fn quoted(text: &str, quote: char) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        if c == quote && !escaped {
            return at + 1;
        }
        escaped = c == '\\' && !escaped;
    }
    text.len()
}

/// The names that a path's tail begins with: one, or those of a group.
fn heads(tail: &str) -> Vec<&str> {
    let name = |text: &str| text.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(text.len());
    let Some(group) = tail.strip_prefix('{') else { return vec![&tail[..name(tail)]] };
    let mut depth = 0_usize;
    let mut heads = Vec::new();
    let mut begin = true;
    for (at, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => begin = true,
            c if begin && !c.is_whitespace() => {
                heads.push(&group[at..at + name(&group[at..])]);
                begin = false;
            }
            _ => {}
        }
    }
    heads
}

/// The rooms a file names, each with where.
fn rooms_named(source: &Source) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    let root = if source.room() == "main" { "drykeep::" } else { "crate::" };
    for at in source.places(root) {
        found.extend(heads(&source.code[at + root.len()..]).into_iter().map(|head| (at, head.to_owned())));
    }
    for at in source.places("super::") {
        if source.code[..at].ends_with("super::") {
            continue;
        }
        let tail = &source.code[at..];
        let below = tail.trim_start_matches("super::");
        // So many steps up leave the room, at least outside a module within the file.
        if (tail.len() - below.len()) / "super::".len() >= source.module().len() {
            found.extend(heads(below).into_iter().map(|head| (at, head.to_owned())));
        }
    }
    found.retain(|(_, name)| ROOMS.iter().any(|(room, _)| room == name));
    found
}

/// Arrows that point up, and exceptions that nobody needs any more.
fn arrows_pointing_up(sources: &[Source]) -> Vec<String> {
    let mut faults = Vec::new();
    let mut needed = vec![false; EXCEPTIONS.len()];
    for source in sources {
        let Some((_, below)) = ROOMS.iter().find(|(room, _)| *room == source.room()) else {
            faults.push(format!("{}: the room {} is in no list", source.path, source.room()));
            continue;
        };
        for (at, room) in rooms_named(source) {
            if room == source.room() || below.contains(&room.as_str()) {
                continue;
            }
            let excepted = |(path, to, _): &(&str, &str, &str)| *path == source.path && *to == room;
            match EXCEPTIONS.iter().position(excepted) {
                Some(index) => needed[index] = true,
                None => faults.push(format!("{}: {} uses {room}", source.at(at), source.room())),
            }
        }
    }
    for ((path, room, _), needed) in EXCEPTIONS.iter().zip(needed) {
        if !needed {
            faults.push(format!("{path} is excepted for {room} but does not use it"));
        }
    }
    faults
}

fn libraries_out_of_place(sources: &[Source]) -> Vec<String> {
    let mut faults = Vec::new();
    for source in sources {
        for (library, rooms) in LIBRARIES.iter().filter(|(_, rooms)| !rooms.contains(&source.room())) {
            for at in source.places(library) {
                let path = source.code[at + library.len()..].starts_with("::");
                if path || source.code[..at].trim_end().ends_with("use") {
                    faults.push(format!("{}: {library} belongs to {}", source.at(at), rooms.join(", ")));
                }
            }
        }
    }
    faults
}

fn words_out_of_place(sources: &[Source]) -> Vec<String> {
    let mut faults = Vec::new();
    for source in sources {
        for (word, homes) in KEPT_IN_PLACE {
            if !homes.iter().any(|home| source.path.starts_with(home)) {
                faults.extend(source.places(word).map(|at| format!("{}: {word}", source.at(at))));
            }
        }
        if source.room() == "domain" {
            let impure = IMPURE.iter().flat_map(|word| source.places(word).map(move |at| (word, at)));
            faults.extend(impure.map(|(word, at)| format!("{}: {word} in the domain", source.at(at))));
        }
    }
    faults
}

fn left_undone(sources: &[Source]) -> Vec<String> {
    let mut faults = Vec::new();
    for source in sources {
        for (index, line) in source.text.lines().enumerate() {
            // RFC 5545 calls a thing to be done by a word that ends as one of these.
            let line = line.replace(concat!("VTO", "DO"), "");
            if let Some(word) = UNDONE.iter().find(|word| line.contains(**word)) {
                faults.push(format!("{}:{}: {word}", source.path, index + 1));
            }
        }
    }
    faults
}

fn too_long(sources: &[Source]) -> Vec<String> {
    let lines = |source: &Source| source.text.lines().count();
    let long = sources.iter().filter(|source| lines(source) > LONGEST_FILE);
    long.map(|source| format!("{} has {} lines", source.path, lines(source))).collect()
}

/// Every Rust file below a folder of the repository.
fn sources(folder: &str) -> Vec<Source> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                found.push(path);
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = Vec::new();
    if root.join(folder).is_dir() {
        walk(&root.join(folder), &mut found);
    }
    found.sort();
    let source = |path: &PathBuf| {
        let name = path.strip_prefix(root).unwrap().to_str().unwrap().replace('\\', "/");
        Source::new(&name, &fs::read_to_string(path).unwrap())
    };
    found.iter().map(source).collect()
}

fn everything() -> Vec<Source> {
    ["src", "tests", "benches"].into_iter().flat_map(sources).collect()
}

#[track_caller]
fn assert_none(faults: &[String]) {
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

#[test]
fn arrows_between_the_rooms_point_down() {
    let sources = sources("src");
    assert!(sources.len() > 50, "the sources are not where they are looked for");
    assert_none(&arrows_pointing_up(&sources));
}

#[test]
fn outside_libraries_stay_in_their_rooms() {
    assert_none(&libraries_out_of_place(&sources("src")));
}

#[test]
fn time_chance_settings_and_printing_have_one_place_each() {
    assert_none(&words_out_of_place(&sources("src")));
}

#[test]
fn files_stay_short() {
    assert_none(&too_long(&everything()));
}

#[test]
fn nothing_is_left_undone() {
    assert_none(&left_undone(&everything()));
}

#[test]
fn an_arrow_that_points_up_is_found_however_it_is_written() {
    let bad = [
        "use crate::store::Tx;",
        "use crate::{domain::ids, store::{Tx, db}};",
        "fn f() { crate::store::run(); }",
        "pub(in crate::store) fn f() {}",
        "use super::super::store::Tx;",
        "use super::super::{domain, store};",
    ];
    for text in bad {
        let faults = arrows_pointing_up(&[Source::new("src/domain/ids.rs", text)]);
        assert!(faults.iter().any(|fault| fault.ends_with(":1: domain uses store")), "{text}: {faults:?}");
    }
    let good = [
        "use crate::domain::store::Tx;",
        "// use crate::store::Tx;",
        "/* crate::store */ const A: &str = \"crate::store\"; const B: char = '\"'; // crate::store",
        "const A: &str = r#\"a \" crate::store\"#;",
        "use super::store::Tx;",
    ];
    for text in good {
        let faults = arrows_pointing_up(&[Source::new("src/domain/ids.rs", text)]);
        assert!(!faults.iter().any(|fault| fault.contains("domain uses")), "{text}: {faults:?}");
    }
}

#[test]
fn an_exception_that_is_not_needed_is_found() {
    assert_eq!(arrows_pointing_up(&[]).len(), EXCEPTIONS.len());
}

#[test]
fn libraries_and_words_out_of_place_are_found() {
    let planted = |text: &str| vec![Source::new("src/domain/ids.rs", text)];
    assert_eq!(libraries_out_of_place(&planted("use diesel;\nuse actix_web::web;")).len(), 2);
    assert_eq!(libraries_out_of_place(&planted("let diesel = mydiesel::f();")).len(), 0);
    for word in
        ["Utc::now()", "SystemTime::now()", "println!(\"\")", "std::fs::read(path)", "uuid::Uuid::now_v7()"]
    {
        assert_eq!(words_out_of_place(&planted(word)).len(), 1, "{word}");
    }
    assert_eq!(left_undone(&planted(&format!("// {}: later", UNDONE[0]))).len(), 1);
    assert_eq!(too_long(&planted(&"\n".repeat(LONGEST_FILE + 1))).len(), 1);
    assert_eq!(too_long(&planted(&"\n".repeat(LONGEST_FILE))).len(), 0);
}
