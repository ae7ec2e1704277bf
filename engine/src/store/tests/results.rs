//! Result files: what is in them, and that they are complete or absent.

use std::path::Path;

use num_complex::Complex64;

use crate::flow::{Convention, Flow, Kind, Phase, Samples};
use crate::stage::SeriesAxis;
use crate::store::{ResultReader, ResultWriter, SampleSink, StoreError, beside, publish};
use crate::units::Unit;
use crate::value::{About, Estimate, Part, Reach, Table};

pub(super) fn unit(text: &str) -> Unit {
    Unit::parse(text).unwrap()
}

pub(super) fn estimate(re: f64, im: f64, effects: &[(&str, Complex64)]) -> Estimate {
    let part = |(name, effect): &(&str, Complex64)| {
        Part::new(&About::scatter(*name, Reach::Node, 9.0), 0, *effect)
    };
    Estimate {
        parts: Some(effects.iter().map(part).collect()),
        scatter: Some(Complex64::new(0.5, 0.25)),
        count: Some(10),
        ..Estimate::bare(Complex64::new(re, im))
    }
}

/// A flow of this kind in this unit.
pub(super) fn flow(kind: Kind, symbol: &str, convention: Option<Convention>) -> Flow {
    Flow {
        convention,
        ..Flow::new(kind, unit(symbol))
    }
}

/// Fills a file with one of everything.
pub(super) fn fill(writer: &mut ResultWriter) {
    let axis = SeriesAxis {
        name: "wavelength".into(),
        unit: "nm".into(),
        values: vec![500.0, 510.0],
    };
    writer.entry("film", "a film").unwrap();
    let real = [
        Some(&estimate(
            2e-3,
            0.0,
            &[
                ("gain", Complex64::new(3e-3, 0.0)),
                ("noise", Complex64::new(4e-3, 0.0)),
            ],
        )),
        None,
    ];
    writer
        .series(
            "film",
            "level",
            &flow(Kind::Estimate, "mV", Some(Convention::Rms)),
            &axis,
            &real,
        )
        .unwrap();
    let first = estimate(3.0, 4.0, &[("gain", Complex64::new(0.3, 0.4))]);
    let second = estimate(
        -1.0,
        0.0,
        &[
            ("gain", Complex64::new(0.0, 0.2)),
            ("noise", Complex64::new(0.1, 0.0)),
        ],
    );
    writer
        .series(
            "film",
            "answer",
            &Flow {
                clock: Some(("chopper".into(), 3, 2)),
                ..flow(Kind::ComplexEstimate, "V", Some(Convention::Peak))
            },
            &axis,
            &[Some(&first), Some(&second)],
        )
        .unwrap();
    let table = Table {
        x: vec![0.0, 1e3, 2e3],
        y: vec![1.0, 2.0, 3.0],
        u: Some(vec![0.1, 0.2, 0.3]),
    };
    let density = unit("V");
    writer
        .table(
            "film",
            "noise",
            "frequency",
            &unit("kHz"),
            &density,
            &axis,
            &[Some(&table), None],
        )
        .unwrap();
    writer
        .table(
            "film",
            "alone",
            "frequency",
            &unit("Hz"),
            &density,
            &SeriesAxis::default(),
            &[Some(&table)],
        )
        .unwrap();
    let waves = writer
        .samples("film", "slow", Kind::Wave, &unit("mV"), 10.0, &axis, 2, 4)
        .unwrap();
    waves
        .write(0, 0, Samples::Wave(&[1e-3, 2e-3]), &mut [])
        .unwrap();
    waves
        .write(0, 2, Samples::Wave(&[3e-3, 4e-3]), &mut [])
        .unwrap();
    waves.write(1, 0, Samples::Wave(&[5e-3]), &mut []).unwrap();
    let phasor = writer
        .samples(
            "film",
            "mixed",
            Kind::Phasor,
            &unit("V"),
            10.0,
            &SeriesAxis::default(),
            1,
            2,
        )
        .unwrap();
    phasor
        .write(
            0,
            0,
            Samples::Phasor(&[Complex64::new(1.0, -1.0), Complex64::new(2.0, -2.0)]),
            &mut [],
        )
        .unwrap();
    let clock = writer
        .samples(
            "film",
            "clock",
            Kind::Clock,
            &Unit::one(),
            10.0,
            &SeriesAxis::default(),
            1,
            2,
        )
        .unwrap();
    clock
        .write(
            0,
            0,
            Samples::Clock(&[
                Phase {
                    cycle: 3,
                    fraction: 0.25,
                },
                Phase::UNKNOWN,
            ]),
            &mut [],
        )
        .unwrap();
    writer
        .text("/provenance/recipe", "Recipe(\n\ttitle: \"µ\",\n)")
        .unwrap();
    writer.text("/provenance/plan/film", "").unwrap();
}

fn same(found: &[f64], expected: &[f64]) {
    let bits = |v: &[f64]| {
        v.iter()
            .map(|x| if x.is_nan() { u64::MAX } else { x.to_bits() })
            .collect::<Vec<_>>()
    };
    assert_eq!(bits(found), bits(expected), "{found:?} {expected:?}");
}

fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn what_is_written_can_be_read_back() {
    const N: f64 = f64::NAN;
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("results.h5");
    let mut writer = ResultWriter::create(&target, false).unwrap();
    fill(&mut writer);
    assert!(!target.exists());
    writer.finish().unwrap();
    assert_eq!(names_in(folder.path()), ["results.h5"]);
    let reader = ResultReader::open(&target).unwrap();
    let floats = |path: &str| reader.floats(&format!("/film/{path}")).unwrap();
    same(&floats("level/value"), &[2e-3 / 1e-3, N]);
    // 3 and 4 mV of independent sources add to 5 mV.
    assert!(
        (floats("level/value_errors")[0] - 5.0).abs() < 1e-14,
        "three roundings of 2^-53 each"
    );
    same(&floats("level/scatter"), &[0.5 / 1e-3, N]);
    same(&floats("level/count"), &[10.0, 0.0]);
    same(&floats("level/wavelength"), &[500.0, 510.0]);
    same(&floats("answer/in_phase"), &[3.0, -1.0]);
    same(&floats("answer/quadrature"), &[4.0, 0.0]);
    same(&floats("answer/amplitude"), &[5.0, 1.0]);
    same(
        &floats("answer/phase"),
        &[libm::atan2(4.0, 3.0), std::f64::consts::PI],
    );
    same(&floats("answer/in_phase_errors"), &[0.3, 0.1]);
    // The first effect lies along the value: all of 0.5 is in the amplitude, nothing in the phase.
    // The second has 0.2 across a length of 1 and 0.1 along it. Each comes from less than ten
    // roundings of numbers up to 1; a square root turns 1e-15 into 4e-8 where it ought to be 0.
    let close = |path: &str, expected: [f64; 2], within: f64| {
        floats(path)
            .iter()
            .zip(expected)
            .for_each(|(a, b)| assert!((a - b).abs() <= within, "{path} {a} {b}"));
    };
    close("answer/amplitude_errors", [0.5, 0.1], 1e-15);
    close("answer/phase_errors", [0.0, 0.2], 4e-8);
    same(&floats("answer/scatter"), &[0.5, 0.25, 0.5, 0.25]);
    same(
        &floats("answer/uncertainty/parts_of"),
        &[0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 0.0, 1.0],
    );
    same(
        &floats("answer/uncertainty/parts_effect"),
        &[0.3, 0.4, 0.0, 0.2, 0.1, 0.0],
    );
    same(
        &floats("answer/uncertainty/source_degrees_of_freedom"),
        &[9.0, 9.0],
    );
    same(&floats("noise/value"), &[1.0, 2.0, 3.0, N, N, N]);
    same(&floats("noise/value_errors"), &[0.1, 0.2, 0.3, N, N, N]);
    same(&floats("noise/frequency"), &[0.0, 1.0, 2.0]);
    same(&floats("alone/value"), &[1.0, 2.0, 3.0]);
    same(
        &floats("slow/value"),
        &[1.0, 2.0, 3.0, 4.0, 5.0, N, N, N].map(|v| v * 1e-3 / 1e-3),
    );
    same(
        &floats("slow/time"),
        &[0.0, 0.1, 0.2, 0.3].map(|t| t * 10.0 / 10.0),
    );
    same(&floats("mixed/quadrature"), &[-1.0, -2.0]);
    same(&floats("clock/cycles"), &[3.25, N]);
    assert_eq!(
        reader.text("/provenance/recipe").unwrap(),
        "Recipe(\n\ttitle: \"µ\",\n)"
    );
    assert_eq!(reader.text("provenance/plan/film").unwrap(), "");
    assert_eq!(reader.text("/film/title").unwrap(), "a film");
    let attribute = |path: &str, name: &str| reader.attribute(path, name).unwrap();
    assert_eq!(attribute("/", "default"), "film");
    assert_eq!(attribute("/film", "default"), "level");
    assert_eq!(attribute("/film/answer", "axes"), "wavelength");
    assert_eq!(attribute("/film/noise", "axes"), "[wavelength, frequency]");
    assert_eq!(
        attribute("/film/answer/amplitude", "amplitude_convention"),
        "peak"
    );
    // Zero and sign of the phase stand beside the phase alone.
    let zero = attribute("/film/answer/phase", "phase_convention");
    assert!(
        zero.starts_with("relative to sin(2*pi*(3/2)*p), p the cycles of \"chopper\"")
            && zero.contains("positive where the signal leads"),
        "{zero}"
    );
    assert_eq!(attribute("/film/level/value", "units"), "mV");
    assert_eq!(reader.attribute("/film", "nothing"), None);
    assert_eq!(
        reader.names("/film"),
        [
            "alone", "answer", "clock", "level", "mixed", "noise", "slow", "title"
        ]
    );
    let message = reader
        .floats("/film/answr/amplitude")
        .unwrap_err()
        .to_string();
    assert!(
        message.contains("did you mean `/film/answer/amplitude`?"),
        "{message}"
    );
    assert!(
        reader
            .text("/film/answer/amplitude")
            .unwrap_err()
            .to_string()
            .contains("expected one text, found [5, 1]")
    );
}

#[test]
fn existing_files_are_replaced_only_when_told() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("results.h5");
    std::fs::write(&target, b"old").unwrap();
    assert_eq!(
        ResultWriter::create(&target, false).err(),
        Some(StoreError::Exists {
            file: target.clone()
        })
    );
    assert_eq!(std::fs::read(&target).unwrap(), b"old");
    let mut writer = ResultWriter::create(&target, true).unwrap();
    fill(&mut writer);
    assert_eq!(std::fs::read(&target).unwrap(), b"old");
    writer.finish().unwrap();
    assert_eq!(
        ResultReader::open(&target)
            .unwrap()
            .text("/film/title")
            .unwrap(),
        "a film"
    );
    // One that appears while results are gathered is not replaced either.
    let late = folder.path().join("late.h5");
    let writer = ResultWriter::create(&late, false).unwrap();
    std::fs::write(&late, b"new").unwrap();
    assert_eq!(
        writer.finish(),
        Err(StoreError::Exists { file: late.clone() })
    );
    assert_eq!(std::fs::read(&late).unwrap(), b"new");
    assert_eq!(names_in(folder.path()), ["late.h5", "results.h5"]);
}

#[test]
fn an_unfinished_file_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = ResultWriter::create(&folder.path().join("results.h5"), false).unwrap();
    fill(&mut writer);
    let sink = writer
        .samples(
            "film",
            "late",
            Kind::Wave,
            &unit("V"),
            1.0,
            &SeriesAxis::default(),
            1,
            5,
        )
        .unwrap();
    assert_eq!(names_in(folder.path()).len(), 1);
    assert!(names_in(folder.path())[0].ends_with(".partial"));
    drop(writer);
    assert_eq!(names_in(folder.path()), [""; 0]);
    // A sink that outlives its file is told so.
    assert!(matches!(
        sink.write(0, 0, Samples::Wave(&[1.0]), &mut []),
        Err(StoreError::Write { .. })
    ));
}

#[test]
fn places_that_cannot_be_written_to() {
    let folder = tempfile::tempdir().unwrap();
    let of = |path: &Path| ResultWriter::create(path, true).err().unwrap().to_string();
    assert!(of(folder.path()).contains("it is a folder; name a file in it"));
    assert!(of(&folder.path().join("none/results.h5")).contains("there is no folder"));
    #[cfg(target_os = "linux")]
    {
        // Nobody may make files there, not even the superuser.
        let message = of(Path::new("/proc/results.h5"));
        assert!(
            message.contains("cannot be written") && !message.contains("os error"),
            "{message}"
        );
    }
}

#[test]
fn results_have_the_rights_of_any_new_file() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plain"), b"").unwrap();
    let table = folder.path().join("table.csv");
    publish(beside(&table).unwrap(), &table).unwrap();
    ResultWriter::create(&folder.path().join("results.h5"), false)
        .unwrap()
        .finish()
        .unwrap();
    let rights = |name: &str| folder.path().join(name).metadata().unwrap().permissions();
    assert_eq!(rights("table.csv"), rights("plain"));
    assert_eq!(rights("results.h5"), rights("plain"));
}

#[test]
fn one_fault_and_the_file_is_never_finished() {
    type Fault = fn(&mut ResultWriter) -> Result<(), StoreError>;
    let wave = |writer: &mut ResultWriter| {
        writer
            .samples(
                "film",
                "x",
                Kind::Wave,
                &unit("V"),
                1.0,
                &SeriesAxis::default(),
                1,
                2,
            )
            .unwrap()
    };
    let faults: [(Fault, &str); 6] = [
        (
            |w| w.text("/a", "zero \0 inside"),
            "a text holds a zero character",
        ),
        (
            |w| w.entry("film", ""),
            "found `film`, which is there already",
        ),
        (
            |w| {
                w.series(
                    "none",
                    "y",
                    &flow(Kind::Estimate, "V", None),
                    &SeriesAxis::default(),
                    &[],
                )
            },
            "doesn't exist",
        ),
        (
            |w| {
                w.samples(
                    "film",
                    "x",
                    Kind::Wave,
                    &unit("V"),
                    1.0,
                    &SeriesAxis::default(),
                    1,
                    2,
                )
                .map(drop)
            },
            "found `x`, which is there already",
        ),
        (
            |w| w.text("/film/title", "again"),
            "found `film/title`, which is there already",
        ),
        (|w| w.text("/film/title/below", ""), "cannot be written"),
    ];
    for (fault, expected) in faults {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = ResultWriter::create(&folder.path().join("results.h5"), false).unwrap();
        writer.entry("film", "").unwrap();
        let sink = wave(&mut writer);
        let error = fault(&mut writer).unwrap_err();
        assert!(error.to_string().contains(expected), "{expected}: {error}");
        assert_eq!(
            sink.write(0, 0, Samples::Wave(&[1.0]), &mut []),
            Err(error.clone())
        );
        assert_eq!(writer.finish(), Err(error));
        assert_eq!(names_in(folder.path()), [""; 0]);
    }
    type Write = fn(&SampleSink) -> Result<(), StoreError>;
    let writes: [(Write, &str); 3] = [
        (
            |s| s.write(0, 1, Samples::Wave(&[1.0, 2.0]), &mut []),
            "samples up to 2, found point 0 and sample 3",
        ),
        (
            |s| s.write(1, 0, Samples::Wave(&[1.0]), &mut []),
            "expected point below 1",
        ),
        (
            |s| s.write(0, 0, Samples::Phasor(&[Complex64::new(1.0, 1.0)]), &mut []),
            "samples of the kind",
        ),
    ];
    for (write, expected) in writes {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = ResultWriter::create(&folder.path().join("results.h5"), false).unwrap();
        writer.entry("film", "").unwrap();
        let error = write(&wave(&mut writer)).unwrap_err();
        assert!(error.to_string().contains(expected), "{expected}: {error}");
        assert_eq!(writer.finish(), Err(error));
    }
}

#[test]
fn nothing_may_be_written() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("results.h5");
    let mut writer = ResultWriter::create(&target, false).unwrap();
    let axis = SeriesAxis::default();
    writer.entry("film", "").unwrap();
    writer
        .samples("film", "short", Kind::Wave, &unit("V"), 1.0, &axis, 1, 0)
        .unwrap();
    writer.finish().unwrap();
    assert_eq!(
        ResultReader::open(&target)
            .unwrap()
            .attribute("/film", "default")
            .as_deref(),
        Some("short")
    );
    let mut writer = ResultWriter::create(&target, true).unwrap();
    writer.entry("film", "").unwrap();
    let nothing = flow(Kind::ComplexEstimate, "V", None);
    writer.series("film", "none", &nothing, &axis, &[]).unwrap();
    writer
        .table("film", "bare", "x", &unit("s"), &unit("V"), &axis, &[None])
        .unwrap();
    writer.finish().unwrap();
    assert_eq!(
        ResultReader::open(&target)
            .unwrap()
            .floats("/film/bare/value")
            .unwrap(),
        [0.0; 0]
    );
}

#[test]
fn sinks_take_samples_from_any_thread() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("results.h5");
    let mut writer = ResultWriter::create(&target, false).unwrap();
    writer.entry("e", "").unwrap();
    let length = 150_000u64;
    let sink = writer
        .samples(
            "e",
            "x",
            Kind::Wave,
            &unit("V"),
            1.0,
            &SeriesAxis::default(),
            4,
            length,
        )
        .unwrap();
    let value = |point: u64, i: u64| (point * 1_000_000 + i * 7 % 1013) as f64;
    std::thread::scope(|scope| {
        for point in 0..4 {
            let sink = sink.clone();
            scope.spawn(move || {
                for start in (0..length).step_by(9973) {
                    let slice: Vec<f64> = (start..(start + 9973).min(length))
                        .map(|i| value(point, i))
                        .collect();
                    sink.write(point, start, Samples::Wave(&slice), &mut [])
                        .unwrap();
                }
            });
        }
    });
    writer.finish().unwrap();
    let expected: Vec<f64> = (0..4)
        .flat_map(|p| (0..length).map(move |i| value(p, i)))
        .collect();
    assert!(
        ResultReader::open(&target)
            .unwrap()
            .floats("/e/x/value")
            .unwrap()
            == expected
    );
}

/// The child of the test below: writes more than it may.
#[test]
fn writes_until_the_disk_is_full() {
    let Some(folder) = std::env::var_os("PHASEMILL_TEST_FULL_DISK") else {
        return;
    };
    let target = Path::new(&folder).join("results.h5");
    // Numbers that do not compress, 8 MB of them.
    let mut state = 1u64;
    let mut noise = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64
    };
    let values: Vec<f64> = (0..1_000_000).map(|_| noise()).collect();
    let axis = SeriesAxis::default();
    let work = || {
        let mut writer = ResultWriter::create(&target, false)?;
        writer.entry("e", "")?;
        let sink = writer.samples("e", "x", Kind::Wave, &unit("V"), 1.0, &axis, 1, 1_000_000)?;
        for (i, slice) in values.chunks(10_000).enumerate() {
            // As in a run, where a point that fails does not stop the others.
            let _ = sink.write(0, i as u64 * 10_000, Samples::Wave(slice), &mut []);
        }
        drop(sink);
        let table = Table {
            x: values.clone(),
            y: values.clone(),
            u: None,
        };
        let _ = writer.table(
            "e",
            "t",
            "x",
            &unit("V"),
            &unit("V"),
            &axis,
            &[Some(&table)],
        );
        writer.finish()
    };
    let error = work().unwrap_err();
    assert!(
        matches!(&error, StoreError::Write { why, .. } if why == "file too large" || why == "no space left on device"),
        "{error}"
    );
    assert_eq!(names_in(Path::new(&folder)), [""; 0]);
}

/// A limit on the size of files stands in for a full disk: writing fails in the same way.
#[cfg(unix)]
#[test]
fn a_full_disk_is_an_error_and_leaves_nothing() {
    for blocks in [
        "0", "1", "2", "4", "8", "20", "100", "1000", "4000", "16000", "30000",
    ] {
        let folder = tempfile::tempdir().unwrap();
        let child = std::process::Command::new("sh")
            .args([
                "-c",
                "trap '' XFSZ; ulimit -f \"$1\"; shift; exec \"$@\"",
                "sh",
                blocks,
            ])
            .arg(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "store::tests::results::writes_until_the_disk_is_full",
                "--nocapture",
            ])
            .env("PHASEMILL_TEST_FULL_DISK", folder.path())
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&child.stdout);
        assert!(
            child.status.success() && said.contains("1 passed"),
            "{said}{}",
            String::from_utf8_lossy(&child.stderr)
        );
    }
}

/// A time for each of very many samples would take longer to write than the samples that are there.
#[test]
fn very_many_samples_have_a_rate_and_no_time_axis() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("a.h5");
    let mut writer = ResultWriter::create(&target, false).unwrap();
    writer.entry("film", "a film").unwrap();
    let axis = SeriesAxis::default();
    for (name, longest) in [("few", 1 << 22), ("many", (1 << 22) + 1)] {
        let sink = writer
            .samples(
                "film",
                name,
                Kind::Wave,
                &unit("V"),
                10.0,
                &axis,
                1,
                longest,
            )
            .unwrap();
        sink.write(0, 0, Samples::Wave(&[1.0]), &mut []).unwrap();
    }
    writer.finish().unwrap();
    let reader = ResultReader::open(&target).unwrap();
    assert!(reader.names("/film/few").contains(&"time".to_owned()));
    assert!(!reader.names("/film/many").contains(&"time".to_owned()));
    assert_eq!(reader.floats("/film/many/sample_rate").unwrap(), [10.0]);
}
