//! A recipe or wiring as a tree of values without comments, so that two can be compared value by value,
//! and one can take over single values of the other.

use std::fmt;

use crate::text::Piece;

/// A value of a text.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Tree {
    /// A value without parts, as written.
    Leaf(String),
    /// `Name(a: 1, b: 2)`.
    Fields(String, Vec<(String, Tree)>),
    /// `{ "a": 1 }`.
    Map(Vec<(String, Tree)>),
    /// `Name(value)`.
    Argument(String, Box<Tree>),
}

/// One value that is another in the other text.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Change {
    /// Names from the root down; empty for the value of `Name(value)`.
    pub path: Vec<String>,
    /// What it was; `None` where there was nothing.
    pub was: Option<Tree>,
    /// What it is; `None` where there is nothing.
    pub is: Option<Tree>,
}

impl Tree {
    /// The tree of a piece of text.
    pub fn of(piece: &Piece) -> Tree {
        let leaf = || Tree::Leaf(piece.text().trim().to_owned());
        let inner = |pairs: Vec<(crate::text::Name, Piece)>| -> Vec<(String, Tree)> {
            pairs
                .into_iter()
                .map(|(n, p)| (n.text, Tree::of(&p)))
                .collect()
        };
        if piece.text().starts_with('{') {
            return piece
                .entries()
                .map_or_else(|_| leaf(), |all| Tree::Map(inner(all)));
        }
        let Some(name) = piece.name().map(str::to_owned) else {
            return leaf();
        };
        if let Some(argument) = piece.argument() {
            return Tree::Argument(name, Box::new(Tree::of(&argument)));
        }
        match piece.fields() {
            Ok(fields) => Tree::Fields(name, inner(fields)),
            Err(_) => leaf(),
        }
    }

    fn parts(&self) -> &[(String, Tree)] {
        match self {
            Tree::Fields(_, parts) | Tree::Map(parts) => parts,
            _ => &[],
        }
    }

    fn parts_mut(&mut self) -> Option<&mut Vec<(String, Tree)>> {
        match self {
            Tree::Fields(_, parts) | Tree::Map(parts) => Some(parts),
            _ => None,
        }
    }

    /// The value of this name below.
    pub fn get(&self, name: &str) -> Option<&Tree> {
        self.parts().iter().find(|(n, _)| n == name).map(|(_, t)| t)
    }

    /// Sets, adds or takes away a value at a path.
    pub fn set(&mut self, path: &[String], value: Option<&Tree>) {
        let Some((name, rest)) = path.split_first() else {
            if let Some(value) = value {
                *self = value.clone();
            }
            return;
        };
        if let (Tree::Argument(_, inner), true) = (&mut *self, name.is_empty()) {
            return inner.set(rest, value);
        }
        let Some(parts) = self.parts_mut() else {
            return;
        };
        let at = parts.iter().position(|(n, _)| n == name);
        match (at, rest.is_empty(), value) {
            (Some(at), false, _) => parts[at].1.set(rest, value),
            (Some(at), true, Some(value)) => parts[at].1 = value.clone(),
            (Some(at), true, None) => drop(parts.remove(at)),
            (None, true, Some(value)) => parts.push((name.clone(), value.clone())),
            // A section that only the other text has is made on the way.
            (None, false, Some(_)) => {
                let mut section = Tree::Map(Vec::new());
                section.set(rest, value);
                parts.push((name.clone(), section));
            }
            (None, _, None) => {}
        }
    }

    /// What has to be changed to come to the other tree.
    pub fn changes(&self, other: &Tree) -> Vec<Change> {
        let mut found = Vec::new();
        differences(Some(self), Some(other), &mut Vec::new(), &mut found);
        found
    }
}

/// Names of sections whose entries are compared even where only one text has the section.
const SECTIONS: [&str; 3] = ["constants", "stages", "units"];

fn differences(
    a: Option<&Tree>,
    b: Option<&Tree>,
    path: &mut Vec<String>,
    found: &mut Vec<Change>,
) {
    if a == b {
        return;
    }
    let empty = Tree::Map(Vec::new());
    let section = path.len() == 1 && SECTIONS.contains(&path[0].as_str());
    let (a, b) = match section {
        true => (a.or(Some(&empty)), b.or(Some(&empty))),
        false => (a, b),
    };
    match (a, b) {
        (Some(Tree::Argument(n, x)), Some(Tree::Argument(m, y))) if n == m => {
            path.push(String::new());
            differences(Some(x), Some(y), path, found);
            path.pop();
        }
        (Some(x @ Tree::Map(_)), Some(y @ Tree::Map(_))) => each(x, y, path, found),
        (Some(x @ Tree::Fields(n, _)), Some(y @ Tree::Fields(m, _))) if n == m => {
            each(x, y, path, found);
        }
        _ => found.push(Change {
            path: path.clone(),
            was: a.cloned(),
            is: b.cloned(),
        }),
    }
}

fn each(a: &Tree, b: &Tree, path: &mut Vec<String>, found: &mut Vec<Change>) {
    let only_b = b.parts().iter().filter(|(n, _)| a.get(n).is_none());
    let names = a.parts().iter().chain(only_b).map(|(n, _)| n.clone());
    for name in names {
        path.push(name.clone());
        differences(a.get(&name), b.get(&name), path, found);
        path.pop();
    }
}

impl fmt::Display for Tree {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let list = |f: &mut fmt::Formatter<'_>, parts: &[(String, Tree)], quoted: bool| {
            for (k, (name, value)) in parts.iter().enumerate() {
                let comma = if k == 0 { "" } else { ", " };
                match quoted {
                    true => write!(f, "{comma}{name:?}: {value}")?,
                    false => write!(f, "{comma}{name}: {value}")?,
                }
            }
            Ok(())
        };
        match self {
            Tree::Leaf(text) => f.write_str(text),
            Tree::Fields(name, parts) if parts.is_empty() => f.write_str(name),
            Tree::Fields(name, parts) => {
                write!(f, "{name}(")?;
                list(f, parts, false)?;
                f.write_str(")")
            }
            Tree::Map(parts) => {
                f.write_str("{")?;
                list(f, parts, true)?;
                f.write_str("}")
            }
            Tree::Argument(name, value) => write!(f, "{name}({value})"),
        }
    }
}

impl Change {
    /// The path in words, as `stages.smooth.kind.time_constant`.
    pub fn place(&self) -> String {
        let named = self.path.iter().filter(|n| !n.is_empty());
        named.map(String::as_str).collect::<Vec<_>>().join(".")
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::diagnostic::SourceText;

    fn tree(text: &str) -> Tree {
        let source = SourceText {
            name: "text".into(),
            text: text.into(),
        };
        Tree::of(&Piece::whole(Arc::new(source)).unwrap())
    }

    const A: &str = r#"Recipe(
        // a comment
        constants: { "g": Constant(value: "1 V/A") },
        stages: { "s": Filter(of: "x", kind: Rc(poles: 2, time: "1 s")), "m": Average(of: "s", over: Blocks("1 s")), "o": P(of: "m") },
        results: ["m"],
    )"#;
    const B: &str = r#"Recipe(stages: { "s": Filter(of: "x", kind: Rc(poles: 4, time: "1 s"), gaps: Restart),
        "m": Average(of: "s", over: Blocks("2 s")) }, results: ["m"])"#;

    #[test]
    fn each_value_that_differs_is_one_change() {
        let changes = tree(A).changes(&tree(B));
        let places: Vec<String> = changes.iter().map(Change::place).collect();
        assert_eq!(
            places,
            [
                "constants.g",
                "stages.s.kind.poles",
                "stages.s.gaps",
                "stages.m.over",
                "stages.o"
            ]
        );
        assert_eq!(changes[0].is, None);
        assert_eq!(changes[1].is, Some(Tree::Leaf("4".into())));
    }

    #[test]
    fn all_changes_together_lead_from_one_text_to_the_other() {
        for (from, to) in [(A, B), (B, A)] {
            let mut changed = tree(from);
            for change in changed.clone().changes(&tree(to)) {
                changed.set(&change.path, change.is.as_ref());
            }
            assert!(changed.changes(&tree(to)).is_empty(), "{changed}");
            // What is printed can be read again.
            assert_eq!(tree(&changed.to_string()), changed);
        }
    }
}
