//! Changing one value of a text; all else, comments included, stays as it is.

use std::sync::Arc;

use super::Piece;
use crate::diagnostic::SourceText;

/// The text of the value at a path of names, as `["constants", "gain", "value"]`; `None` where there is
/// none.
pub fn value_at<'t>(text: &'t str, path: &[&str]) -> Option<&'t str> {
    text.get(range_of(text, path)?)
}

/// The text with the value at a path of names replaced; `None` where there is none.
pub fn replaced(text: &str, path: &[&str], value: &str) -> Option<String> {
    let range = range_of(text, path)?;
    let (before, after) = (text.get(..range.start)?, text.get(range.end..)?);
    Some(format!("{before}{value}{after}"))
}

fn range_of(text: &str, path: &[&str]) -> Option<std::ops::Range<usize>> {
    let source = Arc::new(SourceText {
        name: String::new(),
        text: text.into(),
    });
    let mut piece = Piece::whole(source).ok()?;
    for name in path {
        let named = match piece.text().starts_with('{') {
            true => piece.entries(),
            false => piece.fields(),
        };
        let (_, value) = named.ok()?.into_iter().find(|(n, _)| n.text == *name)?;
        piece = value;
    }
    Some(piece.place().range)
}

#[cfg(test)]
mod tests {
    use super::{replaced, value_at};

    const TEXT: &str = r#"// first
R(constants: { /* value: */ "gain": Constant(value: "1 V/A" /* old */, source: "value"), "other": 2 })"#;

    #[test]
    fn one_value_is_replaced_and_comments_stay() {
        let path = ["constants", "gain", "value"];
        assert_eq!(value_at(TEXT, &path), Some("\"1 V/A\""));
        let expected = TEXT.replace("1 V/A", "2 V/A");
        assert_eq!(replaced(TEXT, &path, "\"2 V/A\""), Some(expected));
        assert_eq!(value_at(TEXT, &["constants", "other"]), Some("2"));
    }

    #[test]
    fn what_is_not_there_is_not_replaced() {
        for path in [
            &["constants", "gian"][..],
            &["stages"],
            &["constants", "other", "value"],
        ] {
            assert_eq!(replaced(TEXT, path, "0"), None, "{path:?}");
        }
        assert_eq!(replaced("R(", &["a"], "0"), None);
    }
}
