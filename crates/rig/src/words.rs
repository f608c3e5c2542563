//! Texts with places such as `{name}` that are filled in: how every crate with words of its own keeps them translatable.

/// A text with its places filled in, in one pass: a value that looks like a place (an archer may be called `{mm}`) stays
/// as it is. A place without a value stays, too.
pub fn fill(text: &str, values: &[(&str, &str)]) -> String {
    let mut filled = String::with_capacity(text.len() + 32);
    let mut rest = text;
    while let Some(open) = rest.find('{') {
        let (before, from) = rest.split_at(open);
        filled.push_str(before);
        let close = from.find('}');
        let value = close.and_then(|close| {
            let name = &from[1..close];
            let (_, value) = values.iter().find(|(known, _)| *known == name)?;
            Some((close, value))
        });
        if let Some((close, value)) = value {
            filled.push_str(value);
            rest = &from[close + 1..];
        } else {
            filled.push('{');
            rest = &from[1..];
        }
    }
    filled.push_str(rest);
    filled
}

/// The places of a text, sorted, each once.
pub fn places(text: &str) -> Vec<&str> {
    let mut found: Vec<&str> = text
        .split('{')
        .skip(1)
        .filter_map(|part| part.split_once('}').map(|(name, _)| name))
        .collect();
    found.sort_unstable();
    found.dedup();
    found
}

#[cfg(test)]
mod tests {
    use super::{fill, places};

    #[test]
    fn values_are_not_filled_in_themselves() {
        let text = "{a} and {b}, {c}";
        assert_eq!(fill(text, &[("a", "{b}"), ("b", "2")]), "{b} and 2, {c}");
        assert_eq!(fill("{a", &[("a", "1")]), "{a");
        assert_eq!(places("{mm} of {camera}, {mm}"), ["camera", "mm"]);
    }
}
