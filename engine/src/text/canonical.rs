//! A text in canonical form: what it says without comments, layout and the order of names.

use std::sync::Arc;

use super::{Name, Piece};
use crate::diagnostic::SourceText;

/// The canonical form of a recipe or a wiring; `None` when its syntax is at fault.
///
/// Comments, white space, trailing commas, empty parentheses and the order of named values do not
/// enter; values enter as they are written, so that `0.3 s` and `300 ms` differ.
pub fn canonical(text: &str) -> Option<String> {
    let source = Arc::new(SourceText {
        name: String::new(),
        text: text.into(),
    });
    let mut out = String::new();
    write(&Piece::whole(source).ok()?, &mut out);
    Some(out)
}

fn write(piece: &Piece, out: &mut String) {
    let text = piece.text();
    if text.starts_with('{')
        && let Ok(entries) = piece.entries()
    {
        return named(entries, ['{', '}'], out);
    }
    if text.starts_with('[')
        && let Ok(items) = piece.items()
    {
        out.push('[');
        for item in &items {
            write(item, out);
            out.push(',');
        }
        out.push(']');
        return;
    }
    if let Ok(text) = piece.parse::<String>() {
        *out += &format!("{text:?}");
        return;
    }
    if let Some(argument) = piece.argument() {
        *out += piece.name().unwrap_or("");
        out.push('(');
        write(&argument, out);
        out.push(')');
        return;
    }
    match piece.fields() {
        Ok(fields) if piece.name().is_some() || !fields.is_empty() => {
            *out += piece.name().unwrap_or("");
            if !fields.is_empty() {
                named(fields, ['(', ')'], out);
            }
        }
        _ => *out += text.trim(),
    }
}

fn named(mut values: Vec<(Name, Piece)>, [open, close]: [char; 2], out: &mut String) {
    values.sort_by(|(a, _), (b, _)| a.text.cmp(&b.text));
    out.push(open);
    for (name, value) in &values {
        *out += &format!("{:?}:", name.text);
        write(value, out);
        out.push(',');
    }
    out.push(close);
}

#[cfg(test)]
mod tests {
    use super::canonical;

    #[test]
    fn comments_layout_and_order_do_not_enter() {
        let one = r#"Recipe( // a remark
            title: "t", stages: { "a": Average(of: "x", over: Blocks("1 s"),), "b": Polar(of: "a") },
            results: ["a", "b"])"#;
        let same = r##"Recipe(title: r#"t"#, results: ["a","b",], /* other */
            stages: {"b":Polar(of:"a"),"a":Average(over:Blocks("1 s"),of:"x")})"##;
        assert_eq!(canonical(one), canonical(same));
        assert!(canonical(one).is_some());
    }

    #[test]
    fn values_names_and_the_order_of_lists_do() {
        let base = r#"R(a: ["x", "y"], b: Square, c: 1.5, d: true)"#;
        let plain = canonical(base);
        assert_eq!(plain, canonical(&base.replace("Square", "Square()")));
        for (from, to) in [
            (r#"["x", "y"]"#, r#"["y", "x"]"#),
            ("Square", "Sine"),
            ("1.5", "1.50"),
            ("true", "false"),
            ("a:", "e:"),
            ("R(", "S("),
        ] {
            let other = base.replace(from, to);
            assert_ne!(plain, canonical(&other), "{other}");
        }
        assert_eq!(canonical("R(a: "), None);
    }
}
