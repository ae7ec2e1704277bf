//! What the catalogue says of a setting: type, unit, legal range, default.

/// What the catalogue says of one setting.
#[derive(Clone, Debug, PartialEq)]
pub struct Doc {
    /// The name; empty for the one unnamed value of a variant.
    pub name: &'static str,
    /// What it is for.
    pub doc: &'static str,
    /// Type, unit and legal range.
    pub shape: Shape,
    /// The default as it would be written; `None` when the setting must be given.
    pub default: Option<&'static str>,
    /// Whether leaving it out means "none".
    pub optional: bool,
}

/// Type, unit and legal range of a setting.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// The name of a flow.
    Flow,
    /// A list of names of flows.
    Flows,
    /// A quantity in a unit, with its range in SI units.
    Quantity(&'static str, Range),
    /// A list of quantities.
    Quantities(&'static str, Range),
    /// A whole number.
    Integer(i64, i64),
    /// A pure number.
    Number(Range),
    /// `true` or `false`.
    Flag,
    /// A text.
    Text,
    /// A constant's name, or a quantity in any unit.
    Factor,
    /// A constant's name, or a quantity in a unit, with its range in SI units.
    Constant(&'static str, Range),
    /// A list of quantities in any unit.
    Factors,
    /// Named entries, each a value of this shape.
    Map(Box<Shape>),
    /// One of several variants: name, meaning, settings.
    Choice(Vec<(&'static str, &'static str, Vec<Doc>)>),
}

/// Legal values of a number, in SI units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Range {
    /// Any finite number.
    Any,
    /// Greater than zero.
    Positive,
    /// Zero or greater.
    NotNegative,
    /// From the first to the second, both included.
    Between(f64, f64),
    /// Between the two, both excluded.
    Inside(f64, f64),
}

impl Range {
    pub(crate) fn holds(self, x: f64) -> bool {
        x.is_finite()
            && match self {
                Range::Any => true,
                Range::Positive => x > 0.0,
                Range::NotNegative => x >= 0.0,
                Range::Between(a, b) => (a..=b).contains(&x),
                Range::Inside(a, b) => x > a && x < b,
            }
    }
}

impl std::fmt::Display for Range {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Range::Any => f.write_str("any"),
            Range::Positive => f.write_str("> 0"),
            Range::NotNegative => f.write_str(">= 0"),
            Range::Between(a, b) => write!(f, "{a} to {b}"),
            Range::Inside(a, b) => write!(f, "between {a} and {b}, both excluded"),
        }
    }
}
