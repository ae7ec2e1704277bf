//! The answer: the number with unit and uncertainty, or the curve with its intervals; and the same as a table.

use super::plot::{Axis, Mark, Places, Plot, Series};
use super::samples::wanted;
use super::subject::{Curves, ranked};
use super::{
    Block, Cell, Column, Notice, Numbers, Section, Subject, Table, Trouble, counted, slug,
};
use crate::aspect::Aspect;
use crate::lineage::Output;
use crate::units::{Unit, format_plain, format_quantity, format_uncertain};

/// Rows of the table of a sweep; the CSV of the plot has all.
const MOST_ROWS: usize = 200;

/// Digits of what has no uncertainty.
const DIGITS: usize = 6;

/// The section.
pub fn answer(subject: &Subject<'_>) -> Section {
    let mut blocks: Vec<Block> = subject.unfit.iter().map(not_as_written).collect();
    let warned = blocks.len();
    let points: Vec<u64> = wanted(subject).iter().map(|w| w.point).collect();
    let told = |c: &&Column<'_>| !c.told_elsewhere && !c.of_reference;
    let mut columns: Vec<&Column<'_>> = subject.columns.iter().filter(told).collect();
    if columns.is_empty() {
        columns = subject.columns.iter().collect();
    }
    let (first, further): (Vec<_>, Vec<_>) = columns.iter().partition(|c| c.evaluated);
    let (first, further) = match first.is_empty() {
        true => (further, first),
        false => (first, further),
    };
    for column in first {
        blocks.extend(of_column(subject, column));
    }
    for curves in &subject.curves {
        blocks.extend(of_curves(curves, &points));
    }
    if blocks.len() == warned {
        blocks.push(Block::Text(
            "Only samples were kept; they are shown below.".into(),
        ));
    }
    if subject.columns.iter().any(|c| c.evaluated) {
        blocks.push(Block::Text(
            "Digits in brackets are the standard uncertainty of the last digits (JCGM 100:2008, 7.2.2): 3.42(5) means 3.42 with a standard \
             uncertainty of 0.05. Intervals hold the true value in 95 of 100 cases, as far as the assumptions of the budget below hold."
                .into(),
        ));
    }
    let mut zeros: Vec<&str> = Vec::new();
    for zero in subject.columns.iter().map(|c| c.zero_of_phase.as_str()) {
        if !zero.is_empty() && !zeros.contains(&zero) {
            zeros.push(zero);
        }
    }
    let said = |zero: &str| Block::Text(format!("Phases are {zero}."));
    blocks.extend(zeros.into_iter().map(said));
    if !further.is_empty() {
        let blocks_of = further.into_iter().flat_map(|c| of_column(subject, c));
        blocks.push(Block::More("Further numbers".into(), blocks_of.collect()));
    }
    Section::new("answer", "The answer", blocks)
}

/// Something that is not what the run wrote, above all that is said of it.
fn not_as_written(problem: &String) -> Block {
    let text = format!(
        "this is not as it was written, so that nothing below can be relied on: {problem}; `phasemill verify` says more"
    );
    Block::Notice(Notice::Failed, text)
}

/// The plots that are seen at once, each with the output that it shows.
pub fn plots<'s>(subject: &Subject<'s>) -> Vec<(&'s Output, Plot)> {
    let points: Vec<u64> = wanted(subject).iter().map(|w| w.point).collect();
    let told = subject.columns.iter().filter(|c| !c.told_elsewhere);
    let columns = told.map(|c| (c.output, of_column(subject, c)));
    let curves = subject.curves.iter();
    let curves = curves.map(|c| (c.output, of_curves(c, &points)));
    let plots = |(output, blocks): (&'s Output, Vec<Block>)| {
        let plot = move |block| match block {
            Block::Plot(plot) => Some((output, *plot)),
            _ => None,
        };
        blocks.into_iter().filter_map(plot)
    };
    columns.chain(curves).flat_map(plots).collect()
}

/// Name of an output and how its amplitude is stated.
pub(super) fn title(column: &Column<'_>) -> String {
    match column.convention.as_str() {
        "" => column.output.name.clone(),
        convention => format!("{} ({convention} amplitude)", column.output.name),
    }
}

/// The blocks of one output.
pub(super) fn of_column(subject: &Subject<'_>, column: &Column<'_>) -> Vec<Block> {
    match column.output.points {
        0 | 1 => vec![single(column)],
        _ => sweep(subject, column),
    }
}

/// A number at a point with its standard uncertainty, or what there is instead.
pub fn in_words(column: &Column<'_>, number: &Numbers, point: usize) -> String {
    let (value, u) = (number.values[point], number.u[point]);
    if !value.is_finite() {
        return "no value".into();
    }
    let limit = column.beside.as_ref().and_then(|b| b.limit.get(point));
    if let (true, Some(limit)) = (column.is_missed(point), limit) {
        return format!(
            "not detected, below {} at 95 %",
            format_quantity(*limit, &number.unit, 3)
        );
    }
    match u.is_finite() {
        true if column.is_drawn(number, point) => {
            let show = |x: f64| format_quantity(x, &number.unit, 4);
            format!(
                "{} (drawn: {} to {})",
                show(value),
                show(number.low[point]),
                show(number.high[point])
            )
        }
        true => format_uncertain(value, u, &number.unit),
        false => format_plain(value, &number.unit, DIGITS),
    }
}

/// The ends of the 95 % interval of a number at a point, where they are known.
pub(super) fn interval(column: &Column<'_>, number: &Numbers, point: usize) -> Option<[f64; 2]> {
    let own = [&number.low, &number.high].map(|ends| ends[point]);
    let beside = column
        .beside
        .as_ref()
        .map(|b| [0, 1].map(|e| b.interval[e][point]));
    let known = |ends: &[f64; 2]| ends.iter().all(|x| x.is_finite());
    beside.filter(known).or(Some(own).filter(known))
}

fn single(column: &Column<'_>) -> Block {
    let mut value = Vec::new();
    let mut notes = Vec::new();
    for number in &column.numbers {
        let words = in_words(column, number, 0);
        match number.aspect {
            Aspect::Value => value.push(words),
            Aspect::Amplitude => value.push(words),
            Aspect::Phase => value.push(format!("at {words}")),
            Aspect::InPhase | Aspect::Quadrature => {
                notes.push(format!("{} {words}", number.aspect.words()))
            }
        }
    }
    if let Some(number) = column.size()
        && let Some([low, high]) = interval(column, number, 0)
    {
        let digits = |x: f64| format_quantity(x, &number.unit, 4);
        let of = if number.aspect == Aspect::Amplitude {
            " of the amplitude"
        } else {
            ""
        };
        notes.push(format!(
            "95 % interval{of} {} to {}",
            digits(low),
            digits(high)
        ));
    }
    if !column.evaluated && !column.bare {
        notes.push("uncertainty not evaluated".into());
    }
    Block::Answer {
        name: title(column),
        value: value.join(" "),
        note: notes.join("; "),
    }
}

/// How many points have what.
fn coverage(column: &Column<'_>, number: &Numbers) -> Vec<String> {
    let points = number.values.len();
    let count = |is: &dyn Fn(usize) -> bool| (0..points).filter(|p| is(*p)).count();
    let there = count(&|p| number.values[p].is_finite());
    let mut parts = vec![format!(
        "{there} of {} have a value",
        counted(points as u64, "point")
    )];
    match count(&|p| column.is_missed(p)) {
        0 => {}
        n => parts.push(format!("nothing detected at {n}")),
    }
    match count(&|p| column.is_drawn(number, p)) {
        0 => {}
        n => parts.push(format!("interval drawn by trials at {n}")),
    }
    if column.evaluated {
        let relative = ranked((0..points).map(|p| (number.u[p] / number.values[p]).abs()));
        // A part of an angle says nothing.
        let of_angle = number.unit.same_dimension(&Unit::radian());
        if let (Some(middle), false) = (relative.get(relative.len() / 2), of_angle) {
            let percent = Unit::parse("%").unwrap_or_else(|_| Unit::one());
            let percent = format_quantity(*middle, &percent, 2);
            parts.push(format!("median relative standard uncertainty {percent}"));
        }
    } else if !column.bare {
        parts.push("uncertainty not evaluated".into());
    }
    parts
}

fn sweep(subject: &Subject<'_>, column: &Column<'_>) -> Vec<Block> {
    let mut blocks = Vec::new();
    let Some(size) = column.size() else {
        return blocks;
    };
    let mut notes = coverage(column, size);
    notes.extend(subject.entry.flagged(column.output));
    blocks.push(Block::Answer {
        name: title(column),
        value: size.range().unwrap_or("no value".into()),
        note: notes.join("; "),
    });
    let (first, second): (Vec<_>, Vec<_>) = column
        .numbers
        .iter()
        .partition(|n| !matches!(n.aspect, Aspect::InPhase | Aspect::Quadrature));
    let drawn = |n: &Numbers| {
        Some(plot(column, n, &subject.troubles))
            .filter(|p| !p.is_empty())
            .map(|p| Block::Plot(Box::new(p)))
    };
    blocks.extend(first.into_iter().filter_map(drawn));
    let mut more: Vec<Block> = second.into_iter().filter_map(drawn).collect();
    more.push(Block::Table(table(subject, column)));
    blocks.push(Block::More(
        format!("All numbers of {}", column.output.name),
        more,
    ));
    blocks
}

/// The axis of a column's points.
pub(super) fn axis(column: &Column<'_>) -> Axis {
    match column.axis.0.as_str() {
        "" => Axis::new("point", ""),
        name => Axis::new(name, column.axis.1.as_str()),
    }
}

/// The plot of a number against the axis; points that are warned of are marked, and so is where one failed.
pub fn plot(column: &Column<'_>, number: &Numbers, troubles: &[Trouble]) -> Plot {
    let largest = number
        .values
        .iter()
        .filter(|x| x.is_finite())
        .fold(0.0f64, |m, x| m.max(x.abs()));
    let unit = number.unit.for_size(largest);
    let shown = |x: f64| unit.number_of(x);
    let what = match number.aspect {
        Aspect::Value => column.output.name.clone(),
        aspect => format!("{} {}", column.output.name, aspect.words()),
    };
    let label = match column.convention.as_str() {
        "" => what.clone(),
        _ if number.aspect == Aspect::Phase => what.clone(),
        convention => format!("{what} ({convention})"),
    };
    let points = number.values.len();
    // Points of one kind are a series; the others are NaN in it.
    let series =
        |name: &str, is: &dyn Fn(usize) -> bool, value: &dyn Fn(usize) -> f64, bars: bool| {
            let values: Vec<f64> = (0..points)
                .map(|p| if is(p) { shown(value(p)) } else { f64::NAN })
                .collect();
            let ends = |end: usize| -> Vec<f64> {
                let of = |p: usize| {
                    interval(column, number, p).map_or(f64::NAN, |ends| shown(ends[end]))
                };
                (0..points)
                    .map(|p| if is(p) { of(p) } else { f64::NAN })
                    .collect()
            };
            let known = (0..points).any(|p| is(p) && interval(column, number, p).is_some());
            Series {
                interval: (bars && known).then(|| [ends(0), ends(1)]),
                line: bars && points > 1,
                ..Series::dots(name, Places::Listed(column.places.clone()), values)
            }
        };
    let missed = |p: usize| column.is_missed(p);
    let drawn = |p: usize| !missed(p) && column.is_drawn(number, p);
    let limits = column.beside.as_ref().map_or(&[] as &[f64], |b| &b.limit);
    let value = |p: usize| number.values[p];
    let limit = |p: usize| limits.get(p).copied().unwrap_or(number.values[p]);
    let mut all = vec![series(&what, &|p| !missed(p) && !drawn(p), &value, true)];
    if (0..points).any(missed) {
        all.push(series(
            "not detected: limit at 95 %",
            &missed,
            &limit,
            false,
        ));
    }
    if (0..points).any(drawn) {
        all.push(series("interval drawn by trials", &drawn, &value, true));
    }
    let troubled = |p: usize, kind: Notice| {
        troubles
            .iter()
            .any(|t| t.point == Some(p as u64) && t.kind == kind)
    };
    all.push(series(
        "with a warning",
        &|p| troubled(p, Notice::Warning),
        &value,
        false,
    ));
    all.retain(|s| s.points().next().is_some());
    let failed =
        (0..points).filter(|p| troubled(*p, Notice::Failed) && !number.values[*p].is_finite());
    let failed = failed.filter_map(|p| column.places.get(p));
    // Only one series is joined, so that no line runs between points of different kinds.
    all.iter_mut().skip(1).for_each(|s| s.line = false);
    let bars = match all.iter().any(|s| s.interval.is_some()) {
        true => "; bars are 95 % intervals",
        false => "; without uncertainty",
    };
    let along = axis(column);
    let ends = |values: &[f64]| {
        let finite = values.iter().copied().filter(|x| x.is_finite());
        finite.fold([f64::INFINITY, f64::NEG_INFINITY], |[a, b], x| {
            [a.min(x), b.max(x)]
        })
    };
    let (x, y) = (ends(&column.places), ends(&number.values));
    let about = format!(
        "{what} against {} at {}, {} to {}; values from {} to {}{bars}. {}.",
        along.label,
        counted(points as u64, "point"),
        x[0],
        with_unit(x[1], &along.unit),
        format_plain(y[0], &number.unit, 4),
        format_plain(y[1], &number.unit, 4),
        coverage(column, number).join("; ")
    );
    Plot {
        id: slug(&format!("{} {}", column.output.name, number.aspect.name())),
        title: what.clone(),
        about,
        x: along,
        y: Axis::new(label, unit.to_string()),
        series: all,
        marks: failed
            .map(|x| Mark {
                at: *x,
                label: "failed".into(),
            })
            .collect(),
        view: None,
    }
}

pub(super) fn with_unit(x: f64, unit: &str) -> String {
    match unit {
        "" => x.to_string(),
        unit => format!("{x} {unit}"),
    }
}

fn table(subject: &Subject<'_>, column: &Column<'_>) -> Table {
    let along = axis(column);
    let mut head = vec!["point".to_owned()];
    if along.label != "point" {
        head.push(along.title());
    }
    head.extend(column.numbers.iter().map(|n| n.aspect.words().to_owned()));
    head.push("95 % interval".into());
    head.push("to be watched".into());
    let row = |p: usize| {
        let mut row = vec![Cell::Number(p.to_string())];
        if along.label != "point" {
            row.push(Cell::Number(
                column.places.get(p).map_or(String::new(), f64::to_string),
            ));
        }
        row.extend(
            column
                .numbers
                .iter()
                .map(|n| Cell::Number(in_words(column, n, p))),
        );
        let ends = column
            .size()
            .and_then(|n| Some((n, interval(column, n, p)?)));
        row.push(Cell::Number(ends.map_or(
            String::new(),
            |(n, [low, high])| {
                format!(
                    "{} to {}",
                    format_quantity(low, &n.unit, 4),
                    format_quantity(high, &n.unit, 4)
                )
            },
        )));
        let here = subject
            .troubles
            .iter()
            .filter(|t| t.point == Some(p as u64));
        let mut kinds: Vec<Notice> = here.map(|t| t.kind).collect();
        kinds.sort_unstable();
        kinds.dedup();
        let words: Vec<&str> = kinds.iter().map(|k| k.word()).collect();
        row.push(Cell::Text(words.join(", ").to_lowercase()));
        row
    };
    let points = column.output.points as usize;
    let more = match points > MOST_ROWS {
        true => format!(" (the first {MOST_ROWS} of {points}; the CSV of the plot has all)"),
        false => String::new(),
    };
    Table {
        caption: format!("{}, point by point{more}", title(column)),
        head,
        rows: (0..points.min(MOST_ROWS)).map(row).collect(),
    }
}

/// The plot of a density or a curve, at some points of a sweep.
pub(super) fn of_curves(curves: &Curves<'_>, points: &[u64]) -> Vec<Block> {
    let name = &curves.output.name;
    let shown: Vec<u64> = match curves.points.len() {
        1 => vec![0],
        _ => points.to_vec(),
    };
    let all = || {
        shown
            .iter()
            .filter_map(|p| curves.points.get(*p as usize))
            .flat_map(|(v, _)| v)
    };
    let positive = |x: &&f64| **x > 0.0;
    let log = curves.x.iter().skip(1).all(|x| *x > 0.0)
        && all().filter(positive).count() * 2 > all().count();
    let middle = all()
        .copied()
        .filter(|x| x.is_finite() && *x > 0.0)
        .fold((0.0, 0u32), |(s, n), x| (s + libm::log(x), n + 1));
    let size = if log {
        libm::exp(middle.0 / f64::from(middle.1.max(1)))
    } else {
        all().fold(0.0f64, |m, x| m.max(x.abs()))
    };
    let unit = curves.unit.for_size(size);
    let places: Vec<f64> = curves
        .x
        .iter()
        .map(|x| curves.along.1.number_of(*x))
        .collect();
    let series = shown.iter().filter_map(|p| {
        let (values, u) = curves.points.get(*p as usize)?;
        let label = if curves.points.len() == 1 {
            name.clone()
        } else {
            format!("{name}, point {p}")
        };
        let few = values.len() <= 400 && u.iter().any(|u| u.is_finite());
        let ends = |sign: f64| {
            values
                .iter()
                .zip(u)
                .map(|(v, u)| unit.number_of(v + sign * u))
                .collect::<Vec<f64>>()
        };
        Some(Series {
            interval: few.then(|| [ends(-1.0), ends(1.0)]),
            dots: few,
            ..Series::line(
                label,
                Places::Listed(places.clone()),
                values.iter().map(|v| unit.number_of(*v)).collect(),
            )
        })
    });
    let series: Vec<Series> = series.collect();
    let bars = match series.iter().any(|s| s.interval.is_some()) {
        true => "; bars are standard uncertainties",
        false => "",
    };
    let axes = [
        Axis::new(curves.along.0.replace('_', " "), curves.along.1.to_string()),
        Axis::new(name.as_str(), unit.to_string()),
    ];
    let [x, y] = if log { axes.map(Axis::log) } else { axes };
    let plot = Plot {
        id: slug(name),
        title: name.clone(),
        about: format!(
            "{name} against {}, {} values{bars}.",
            curves.along.0.replace('_', " "),
            curves.x.len()
        ),
        x,
        y,
        series,
        marks: Vec::new(),
        view: None,
    };
    match plot.is_empty() {
        true => vec![Block::Notice(
            Notice::Warning,
            format!("{name} has no value at the points that are shown"),
        )],
        false => vec![Block::Plot(Box::new(plot))],
    }
}
