//! Chains that were compared in a run: what each costs and gives, whether it agrees with the base, their curves.

use super::plot::{Axis, Places, Plot, Series};
use super::{Block, Cell, Notice, Section, Subject, Table, draw::STYLES, slug};
use crate::compare::{Chain, Comparison, saved};
use crate::units::{Unit, format_quantity};

/// The section; `None` where the file holds no comparison of this entry.
pub fn compared(subject: &Subject<'_>) -> Option<Section> {
    let found = match saved(subject.saved.path()) {
        Ok(found) => found,
        Err(why) => {
            let notice = Block::Notice(Notice::Warning, why.to_string());
            return Some(section(vec![notice]));
        }
    };
    let own = found
        .into_iter()
        .find(|(entry, _)| *entry == subject.entry.name);
    let (_, comparison) = own?;
    let mut blocks = vec![Block::Text(
        "The same recordings by other chains. The first chain is the base, with which the others are compared; chi-square is that of the \
         differences, with what both chains share."
            .into(),
    )];
    if let Some(recommended) = &comparison.recommended {
        blocks.push(Block::Text(recommended.reason.clone()));
    }
    blocks.push(Block::Table(costs(&comparison)));
    let verdicts = comparison.chains.iter().filter(|c| !c.verdict.is_empty());
    blocks.push(Block::List(
        verdicts
            .map(|c| format!("{}: {}", c.name, c.verdict))
            .collect(),
    ));
    let plot = curves(&comparison);
    if comparison.points > 1 && !plot.is_empty() {
        blocks.push(Block::Plot(Box::new(plot)));
    }
    Some(section(blocks))
}

fn section(blocks: Vec<Block>) -> Section {
    Section::new("alternatives", "Alternatives to the chain", blocks)
}

fn costs(comparison: &Comparison) -> Table {
    let unit = Unit::parse(&comparison.unit).unwrap_or_else(|_| Unit::one());
    let shown = |x: Option<f64>, unit: &Unit, size: f64| {
        Cell::Number(x.map_or("not known".into(), |x| format_quantity(x * size, unit, 3)))
    };
    let row = |chain: &Chain| {
        let settling = chain
            .settling
            .iter()
            .find(|(part, _)| *part == 0.01)
            .and_then(|(_, t)| *t);
        let agreement = chain.agreement.map_or(String::new(), |a| {
            format!(
                "{:.1} for {}, p = {:.2}",
                a.chi_square, a.degrees_of_freedom, a.p
            )
        });
        vec![
            Cell::Text(chain.name.clone()),
            Cell::Text(chain.said.clone()),
            shown(settling, &Unit::second(), 1.0),
            shown(chain.noise_bandwidth, &Unit::hertz(), 1.0),
            shown(chain.noise, &unit, unit.si_factor()),
            Cell::Text(agreement),
        ]
    };
    let head = [
        "chain",
        "what it changes",
        "settles to 1 %",
        "noise bandwidth",
        "noise of a value",
        "chi-square against the base",
    ];
    Table {
        caption: "What the chains cost".into(),
        head: head.map(String::from).to_vec(),
        rows: comparison.chains.iter().map(row).collect(),
    }
}

/// Sizes along the points, of as many chains as can be told apart.
fn curves(comparison: &Comparison) -> Plot {
    let unit = Unit::parse(&comparison.unit).unwrap_or_else(|_| Unit::one());
    let factor = unit.si_factor();
    let different = || {
        comparison
            .chains
            .iter()
            .filter(|c| c.same_as.is_none())
            .take(STYLES)
    };
    let sizes = different()
        .flat_map(|c| &c.values)
        .flatten()
        .map(|v| v.amplitude.abs());
    let shown = unit.for_size(factor * sizes.fold(0.0, f64::max));
    let axis = &comparison.axis;
    let places: Vec<f64> = match axis.values.len() == comparison.points {
        true => axis.values.clone(),
        false => (0..comparison.points).map(|p| p as f64).collect(),
    };
    let series = different().map(|chain| {
        let of = |sign: f64| -> Vec<f64> {
            let value = |p: usize| {
                let value = chain.values.get(p)?.as_ref()?;
                Some(
                    value.amplitude
                        + sign * value.amplitude_u.filter(|_| sign != 0.0).unwrap_or(0.0),
                )
            };
            let all = (0..comparison.points).map(value);
            all.map(|v| v.map_or(f64::NAN, |v| shown.number_of(v * factor)))
                .collect()
        };
        Series {
            interval: Some([of(-1.0), of(1.0)]),
            line: true,
            ..Series::dots(chain.name.as_str(), Places::Listed(places.clone()), of(0.0))
        }
    });
    let series: Vec<Series> = series.collect();
    let what = if comparison.complex {
        "amplitude"
    } else {
        "value"
    };
    let more = match comparison.chains.len() > series.len() {
        true => format!(
            " Of {} chains the first {} that differ are drawn.",
            comparison.chains.len(),
            series.len()
        ),
        false => String::new(),
    };
    let label = if axis.name.is_empty() {
        "point"
    } else {
        axis.name.as_str()
    };
    Plot {
        id: slug("alternatives"),
        title: format!("{what} by each chain"),
        about: format!(
            "The {what} at each point by each chain; bars are standard uncertainties.{more}"
        ),
        x: Axis::new(label, axis.unit.as_str()),
        y: Axis::new(what, shown.to_string()),
        series,
        marks: Vec::new(),
        view: None,
    }
}
