//! What may be wrong with the names and the number of lines of a fit.

use phasemill_engine::diagnostic::Code;

/// Most lines of a fit.
const MOST_LINES: usize = 100;

/// Names of the ports that are not lines.
const OTHER_PORTS: [&str; 3] = ["constant", "slope", "residual"];

/// What is wrong with the names and number of lines.
pub fn fault_of(lines: &[(String, f64)]) -> Option<(Code, String, &'static str)> {
    if lines.len() > MOST_LINES {
        let message = format!("expected at most {MOST_LINES} lines, found {}", lines.len());
        return Some((Code::Limit, message, "fit the stronger lines first"));
    }
    let legal = |name: &str| {
        !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
    };
    for (i, (name, f)) in lines.iter().enumerate() {
        if !legal(name) || OTHER_PORTS.contains(&name.as_str()) {
            let message = format!(
                "expected a name of letters, digits and `_` other than `constant`, `slope` and `residual`, found `{name}`"
            );
            return Some((Code::UnknownName, message, "rename the line"));
        }
        if let Some((other, _)) = lines.iter().take(i).find(|(_, other)| other == f) {
            let message = format!(
                "expected different frequencies, found {f} Hz for both `{other}` and `{name}`"
            );
            return Some((Code::Duplicate, message, "leave one of the two out"));
        }
    }
    None
}
