//! Which of several forms of an answer a caller would rather have (RFC 9110 §12.5.1).

use actix_web::HttpRequest;
use actix_web::http::header::ACCEPT;

/// The media type offered that the caller likes best; of equals, and where
/// none is acceptable, the first.
pub(crate) fn preferred<'a>(request: &HttpRequest, offered: &[&'a str]) -> &'a str {
    let header: Vec<&str> =
        request.headers().get_all(ACCEPT).filter_map(|value| value.to_str().ok()).collect();
    best(&header.join(","), offered)
}

fn best<'a>(accept: &str, offered: &[&'a str]) -> &'a str {
    let mut best = (0, offered.first().copied().unwrap_or_default());
    for kind in offered {
        let weight = weight(accept, kind);
        if weight > best.0 {
            best = (weight, kind);
        }
    }
    best.1
}

/// Thousandths of the weight that a header gives a media type; the most
/// specific of its ranges counts.
fn weight(accept: &str, kind: &str) -> u16 {
    let main = kind.split('/').next().unwrap_or_default();
    let mut found: Option<(u8, u16)> = None;
    for range in accept.split(',') {
        let mut parts = range.split(';').map(str::trim);
        let name = parts.next().unwrap_or_default().to_ascii_lowercase();
        let specific = match name.as_str() {
            "*/*" => 0,
            name if name == format!("{main}/*") => 1,
            name if name == kind => 2,
            _ => continue,
        };
        let quality = parts.find_map(|part| part.strip_prefix("q=")).map_or(Some(1000), thousandths);
        let Some(quality) = quality else { continue };
        if found.is_none_or(|(before, _)| specific > before) {
            found = Some((specific, quality));
        }
    }
    found.map_or(0, |(_, quality)| quality)
}

/// A quality of 0 to 1 with at most three decimals (RFC 9110 §12.4.2).
fn thousandths(text: &str) -> Option<u16> {
    let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
    if decimals.len() > 3 || !decimals.bytes().all(|digit| digit.is_ascii_digit()) {
        return None;
    }
    let part: u16 = format!("{decimals:0<3}").parse().ok()?;
    match whole {
        "0" => Some(part),
        "1" if part == 0 => Some(1000),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9110 §12.5.1 gives the weights of this header as an example.
    #[test]
    fn the_most_specific_range_counts() {
        let header = "text/*;q=0.3, text/plain;q=0.7, text/plain;format=flowed, */*;q=0.5";
        assert_eq!(weight(header, "text/html"), 300);
        assert_eq!(weight(header, "image/jpeg"), 500);
        assert_eq!(weight("text/csv;q=2, text/csv;q=0.1234", "text/csv"), 0);
    }

    #[test]
    fn the_first_form_is_given_unless_another_is_liked_better() {
        let offered = ["application/json", "text/csv"];
        for header in
            ["", "*/*", "image/png", "text/csv;q=0.5, application/json", "text/csv, application/json"]
        {
            assert_eq!(best(header, &offered), "application/json", "{header}");
        }
        for header in
            ["text/csv", "Text/CSV; q=0.9, application/json;q=0.8", "text/*", "application/*;q=0, */*"]
        {
            assert_eq!(best(header, &offered), "text/csv", "{header}");
        }
    }
}
