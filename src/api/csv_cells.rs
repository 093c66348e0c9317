//! Text in CSV that spreadsheets are going to open.

/// Text that no spreadsheet takes for a formula: what begins as one does gets
/// an apostrophe in front (OWASP, CSV Injection). Not for numbers of our own,
/// whose minus sign is meant.
pub(super) fn harmless(text: &str) -> String {
    let starts_formula = text
        .starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}']);
    if starts_formula { format!("'{text}") } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The characters that OWASP's page on CSV Injection names, the wide forms among them.
    #[test]
    fn what_would_be_a_formula_is_text() {
        for formula in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\u{ff1d}1", "\u{ff0d}1"] {
            assert_eq!(harmless(formula), format!("'{formula}"));
        }
        for plain in ["", "Films", "a=b", "'quoted", " =1"] {
            assert_eq!(harmless(plain), plain);
        }
    }
}
