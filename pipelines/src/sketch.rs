//! A sweep as a small picture of characters, for the end of a run on a terminal.

use std::io::IsTerminal;

use phasemill_engine::session::Sweep;
use phasemill_engine::units::format_quantity;

use crate::figures::number;

/// Rows of characters.
const ROWS: usize = 6;
/// Columns of characters, at least and at most.
const WIDTHS: [usize; 2] = [30, 90];

/// The picture, as wide as the terminal has room; `None` where output goes elsewhere.
pub fn on_terminal(sweep: &Sweep) -> Option<String> {
    if !std::io::stdout().is_terminal() {
        return None;
    }
    let width = terminal_size::terminal_size().map_or(80, |(width, _)| usize::from(width.0));
    let variable = |name: &&str| std::env::var(name).ok().filter(|v| !v.is_empty());
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].iter().find_map(variable);
    let locale = locale.unwrap_or_default().to_uppercase();
    let unicode = locale.contains("UTF-8") || locale.contains("UTF8");
    picture(sweep, width, unicode)
}

/// Dots of a character: in Unicode those of Braille patterns (U+2800), two by four; else one.
fn picture(sweep: &Sweep, width: usize, unicode: bool) -> Option<String> {
    let mut points: Vec<(f64, f64)> = sweep.points.clone();
    points.retain(|(x, _)| x.is_finite());
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (first, last) = (points.first()?.0, points.last()?.0);
    let (low, high) = points
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), (_, y)| {
            (a.min(*y), b.max(*y))
        });
    let labels = [high, low].map(|y| format_quantity(y, &sweep.unit, 3));
    let beside = labels.iter().map(|l| l.chars().count()).max().unwrap_or(0);
    let columns = width.saturating_sub(beside + 5).min(WIDTHS[1]);
    if columns < WIDTHS[0] || first >= last || low > high {
        return None;
    }
    let [across, down] = if unicode { [2, 4] } else { [1, 1] };
    let mut dots = vec![vec![0u8; columns]; ROWS];
    let part = |x: f64, a: f64, b: f64| if b > a { (x - a) / (b - a) } else { 0.5 };
    let mut dot = |x: f64, y: f64| {
        let column = (part(x, first, last) * (columns * across - 1) as f64).round() as usize;
        let row = ((1.0 - part(y, low, high)) * (ROWS * down - 1) as f64).round() as usize;
        // Bits of a Braille pattern: the left column of three dots, then the right one, then the fourth row.
        let bit = match (column % across, row % down) {
            (0, 3) => 6,
            (_, 3) => 7,
            (side, row) => 3 * side + row,
        };
        dots[row / down][column / across] |= 1 << bit;
    };
    // Between neighbours a straight line, so that a curve is seen; none where a point has no value.
    let steps = (columns * across) as f64;
    let there: Vec<&(f64, f64)> = points.iter().filter(|(_, y)| y.is_finite()).collect();
    there.iter().for_each(|(x, y)| dot(*x, *y));
    for pair in points.windows(2) {
        let [(a, u), (b, v)] = [pair[0], pair[1]];
        if u.is_finite() && v.is_finite() {
            let count = ((b - a) / (last - first) * steps).ceil().clamp(1.0, steps) as usize;
            for k in 0..=count {
                let t = k as f64 / count as f64;
                dot(a + t * (b - a), u + t * (v - u));
            }
        }
    }
    let character = |bits: &u8| match (bits, unicode) {
        (0, _) => ' ',
        (_, false) => '*',
        (bits, true) => char::from_u32(0x2800 + u32::from(*bits)).unwrap_or('*'),
    };
    let (side, corner, line) = if unicode {
        ('│', '└', '─')
    } else {
        ('|', '+', '-')
    };
    let mut out = String::new();
    for (k, row) in dots.iter().enumerate() {
        let label = match k {
            0 => labels[0].as_str(),
            k if k == ROWS - 1 => labels[1].as_str(),
            _ => "",
        };
        let row: String = row.iter().map(character).collect();
        out += &format!("  {label:>beside$} {side}{}\n", row.trim_end());
    }
    out += &format!(
        "  {:beside$} {corner}{}\n",
        "",
        line.to_string().repeat(columns)
    );
    let ends = [number(first), number(last)];
    let name = match (sweep.axis.0.as_str(), sweep.axis.1.as_str()) {
        ("", _) => "point".to_owned(),
        (name, "" | "1") => name.to_owned(),
        (name, unit) => format!("{name} in {unit}"),
    };
    let text = format!("{} against {name}", sweep.name);
    let room = columns.saturating_sub(ends[0].chars().count() + ends[1].chars().count());
    let middle = if text.chars().count() + 2 <= room {
        text
    } else {
        String::new()
    };
    out += &format!("  {:beside$}  {}{middle:^room$}{}", "", ends[0], ends[1]);
    Some(out)
}

#[cfg(test)]
mod tests {
    use phasemill_engine::units::Unit;

    use super::*;

    fn sweep(values: &[f64]) -> Sweep {
        Sweep {
            name: "level".into(),
            unit: Unit::volt(),
            axis: ("angle".into(), "deg".into()),
            points: values
                .iter()
                .enumerate()
                .map(|(k, y)| (10.0 * k as f64, *y))
                .collect(),
        }
    }

    #[test]
    fn a_ramp_rises_from_the_lower_left_to_the_upper_right() {
        let shown = picture(&sweep(&[0.0, 1.0]), 45, false).unwrap_or_default();
        let lines: Vec<&str> = shown.lines().collect();
        assert!(
            lines[0].starts_with("  1.00 V |") && lines[0].ends_with('*'),
            "{shown}"
        );
        assert!(lines[5].contains("0 V |*"), "{shown}");
        assert_eq!(lines[6].matches('-').count(), 34, "{shown}");
        assert!(lines[7].contains("level against angle in deg"), "{shown}");
        assert!(lines.iter().all(|l| l.chars().count() <= 45), "{shown}");
    }

    #[test]
    fn every_point_has_its_dot() {
        let values = [0.0, 5.0, 1.0, 4.0];
        let shown = picture(&sweep(&values), 80, true).unwrap_or_default();
        let braille = shown
            .chars()
            .filter(|c| ('\u{2801}'..='\u{28ff}').contains(c))
            .count();
        assert!(braille > 40, "{shown}");
    }

    #[test]
    fn nothing_is_drawn_without_room_or_range() {
        assert_eq!(picture(&sweep(&[0.0, 1.0]), 20, true), None);
        assert_eq!(picture(&sweep(&[1.0]), 80, true), None);
        assert_eq!(picture(&sweep(&[f64::NAN, f64::NAN]), 80, true), None);
    }
}
