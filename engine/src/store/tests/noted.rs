//! Hashes of what is written, from notes and from the file: they must be the same.

use num_complex::Complex64;

use super::results::{estimate, fill, flow, unit};
use crate::aspect::{Aspect, Interval};
use crate::flow::{Convention, Kind, Samples};
use crate::run::{Numbers, Simulation};
use crate::stage::SeriesAxis;
use crate::store::{Digest, Hash, ResultReader, ResultWriter, Rows};
use crate::value::{Estimate, Table};

/// Outputs of every kind: entry, name, points.
const OUTPUTS: [(&str, &str, u64); 15] = [
    ("film", "level", 2),
    ("film", "answer", 2),
    ("film", "noise", 2),
    ("film", "alone", 1),
    ("film", "slow", 2),
    ("film", "mixed", 1),
    ("film", "clock", 1),
    ("more", "one", 1),
    ("more", "none", 0),
    ("more", "lost", 3),
    ("more", "drawn", 3),
    ("more", "uneven", 2),
    ("more", "empty", 1),
    ("more", "many", 300),
    ("more", "blanks  ", 1),
];

/// What [`fill`] leaves out.
fn fill_more(writer: &mut ResultWriter) {
    writer.entry("more", "").unwrap();
    let none = SeriesAxis::default();
    let named = |name: &str, values: Vec<f64>| SeriesAxis {
        name: name.into(),
        unit: String::new(),
        values,
    };
    let odd = estimate(
        f64::NAN,
        -0.0,
        &[("a source with blanks  ", Complex64::new(0.1, f64::NAN))],
    );
    let convention = Some(Convention::Step);
    let mut series =
        |name: &str, axis: &SeriesAxis, values: &[Option<&Estimate>], complex: bool| {
            let kind = match complex {
                true => Kind::ComplexEstimate,
                false => Kind::Estimate,
            };
            writer
                .series("more", name, &flow(kind, "nV", convention), axis, values)
                .unwrap();
        };
    series("one", &none, &[Some(&odd)], true);
    series("none", &none, &[], false);
    // An axis of a name that is taken.
    series(
        "lost",
        &named("value", vec![1.0, f64::NAN, 3.0]),
        &[None; 3],
        true,
    );
    series("drawn", &none, &[Some(&odd), None, Some(&odd)], true);
    series("many", &none, &[Some(&odd); 300], false);
    series("blanks  ", &named("µ", vec![2.0]), &[Some(&odd)], false);
    let numbers = Numbers {
        aspects: Aspect::all(true)
            .iter()
            .map(|_| {
                let interval = Interval {
                    u: 1.0,
                    degrees_of_freedom: f64::NAN,
                    low: 0.5,
                    high: f64::INFINITY,
                };
                (0.25, interval)
            })
            .collect(),
        failed: 7,
    };
    let simulation = Simulation {
        trials: 1000,
        seed: u64::MAX,
        results: Vec::new(),
    };
    let points = [Some(numbers), None, None];
    writer
        .drawn("more", "drawn", &unit("nV"), true, &simulation, &points)
        .unwrap();
    let table = |bins: usize| Table {
        x: (0..bins).map(|i| i as f64).collect(),
        y: vec![-f64::NAN; bins],
        u: None,
    };
    let (long, short) = (table(3), table(2));
    let mut tables = |name: &str, tables: &[Option<&Table>]| {
        writer
            .table("more", name, "phase", &unit("s"), &unit("V"), &none, tables)
            .unwrap();
    };
    tables("uneven", &[Some(&short), Some(&long)]);
    tables("empty", &[None]);
}

fn digests(of: impl Fn(&str, &str, u64) -> Digest) -> Vec<Digest> {
    let outputs = OUTPUTS.iter();
    // Whatever is taken for the number of points, both ways must agree.
    let points = |&(entry, name, points): &(&'static str, &'static str, u64)| {
        [points, 0, 1, 2, 5].map(|points| (entry, name, points))
    };
    let all = outputs.flat_map(points);
    all.map(|(entry, name, points)| of(entry, name, points))
        .collect()
}

#[test]
fn notes_and_file_give_the_same_hashes_of_every_kind_of_output() {
    let written = |most: Option<usize>| {
        let mut writer = ResultWriter::scratch().unwrap();
        most.iter().for_each(|most| writer.note_at_most(*most));
        fill(&mut writer);
        fill_more(&mut writer);
        writer
    };
    let hashes = |writer: &ResultWriter| {
        digests(|entry, name, points| writer.digest(entry, name, points, &Rows::new()).unwrap())
    };
    let noted = written(None);
    let all = hashes(&noted);
    let file = noted.into_scratch().unwrap();
    let reader = ResultReader::open(file.path()).unwrap();
    let read = digests(|entry, name, points| reader.digest(entry, name, points).unwrap());
    for ((noted, read), which) in all.iter().zip(&read).zip(0..) {
        assert_eq!(noted, read, "{:?}", OUTPUTS[which / 5]);
    }
    // Where there is room for no values, or for some of them, the others are read back.
    for most in [0, 100, 10_000] {
        assert_eq!(all, hashes(&written(Some(most))), "{most} bytes");
    }
    // Outputs differ, so that equal hashes say something.
    let mut own: Vec<Hash> = all.iter().step_by(5).map(|d| d.form).collect();
    own.sort_unstable();
    own.dedup();
    assert_eq!(own.len(), OUTPUTS.len());
}

#[test]
fn samples_are_hashed_on_their_way_in_as_from_the_file() {
    let mut writer = ResultWriter::scratch().unwrap();
    writer.entry("e", "").unwrap();
    let (unit, axis) = (unit("mV"), SeriesAxis::default());
    let sink = writer
        .samples("e", "slow", Kind::Wave, &unit, 10.0, &axis, 2, 5)
        .unwrap();
    let mut rows = Rows::new();
    for point in 0..2 {
        let mut hashes = sink.hashes();
        let samples = [1e-3, f64::NAN, -0.0];
        sink.write(point, 0, Samples::Wave(&samples[..2]), &mut hashes)
            .unwrap();
        sink.write(point, 2, Samples::Wave(&samples[2..]), &mut hashes)
            .unwrap();
        for (column, hash) in sink.rows(hashes) {
            rows.entry(column.to_owned()).or_default().push(hash);
        }
    }
    let noted = writer.digest("e", "slow", 2, &rows).unwrap();
    drop(sink);
    let file = writer.into_scratch().unwrap();
    let reader = ResultReader::open(file.path()).unwrap();
    assert_eq!(noted, reader.digest("e", "slow", 2).unwrap());
}
