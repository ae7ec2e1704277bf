//! What headers say, and every way in which they can be unfit.

use hdf5::types::{FixedAscii, FixedUnicode};

use super::{array, file, header, number, text};
use crate::recipe::{Channel, Origin, RateOrigin};
use crate::store::{ChannelHeader, RecordingFile, Stretch};
use crate::units::Unit;

fn unit(text: &str) -> Unit {
    Unit::parse(text).unwrap()
}

/// The message that a channel of a file gives, without the path of the file.
fn fault(fill: impl FnOnce(&hdf5::File), channel: &Channel, expected: Option<&str>) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", fill);
    let expected = expected.map(unit);
    let error = RecordingFile::open(&path)
        .unwrap()
        .channel("detector", channel, expected.as_ref())
        .unwrap_err();
    error
        .to_string()
        .replace(&format!("{}: ", path.display()), "")
}

fn good(file: &hdf5::File) -> hdf5::Dataset {
    let dataset = file
        .new_dataset_builder()
        .with_data(&[1i16, 2, 3, 4])
        .create("detector")
        .unwrap();
    number(&dataset, "sample_rate", 1000.0);
    dataset
}

#[test]
fn a_recording_that_describes_itself_needs_no_wiring() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        let dataset = good(f);
        text(&dataset, "units", "mV");
        number(&dataset, "scale", 0.5f32);
        number(&dataset, "offset", -3i8);
        number(f, "full_scale", 10u16);
        text(f, "start_time", "2026-03-01T12:00:00Z");
        // The dataset's own attribute counts, not that of the root.
        number(f, "sample_rate", 7);
    });
    let expected = ChannelHeader {
        role: "detector".into(),
        file: path.clone(),
        dataset: "/detector".into(),
        two_dimensional: false,
        row: 4,
        points: 1,
        samples: 4,
        rate: 1000.0,
        unit: unit("mV"),
        unit_is_stated: true,
        scale: 0.5,
        offset: -3.0,
        full_scale: Some(10.0),
        missing: None,
        stored: "int16 little-endian".into(),
        layout: "contiguous".into(),
        start_time: Some("2026-03-01T12:00:00Z".into()),
        first_time: None,
        begins: 0,
        stretches: vec![],
        cuts: [].into(),
        has_axis: false,
    };
    assert_eq!(header(&path, "detector"), expected);
}

#[test]
fn the_wiring_says_where_things_are() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        let group = f.create_group("raw/card").unwrap();
        let dataset = array(&group, "ch0", &[2, 3], &[1u8, 2, 3, 4, 5, 6]);
        text(&dataset, "units", "V");
        number(&dataset, "volts_per_code", 0.01);
        number(f, "clock", 5e3);
    });
    let channel = Channel {
        dataset: Some("raw/card/ch0".into()),
        rate: Some(RateOrigin::Attribute("clock".into())),
        unit: Some(unit("mV")),
        scale: Some(Origin::Attribute("volts_per_code".into())),
        offset: Some(Origin::Stated(Box::new(crate::constant::Constant {
            value: 2.0,
            ..crate::constant::Constant::one()
        }))),
        missing: Some(255.0),
        ..Channel::default()
    };
    let found = RecordingFile::open(&path)
        .unwrap()
        .channel("detector", &channel, Some(&unit("V")))
        .unwrap();
    assert_eq!(
        (
            found.two_dimensional,
            found.points,
            found.samples,
            found.rate
        ),
        (true, 2, 3, 5e3)
    );
    assert_eq!(
        (found.unit, found.scale, found.offset, found.missing),
        (unit("mV"), 0.01, 2.0, Some(255.0))
    );
    assert_eq!(found.dataset, "/raw/card/ch0");
}

#[test]
fn the_expected_unit_holds_where_none_is_stated() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| drop(good(f)));
    let recording = RecordingFile::open(&path).unwrap();
    let found = |expected: Option<&Unit>| {
        recording
            .channel("detector", &Channel::default(), expected)
            .unwrap()
            .unit
    };
    assert_eq!(found(Some(&unit("mV"))), unit("mV"));
    assert_eq!(found(None), Unit::one());
}

#[test]
fn attributes_may_be_stored_in_any_way() {
    type Set = fn(&hdf5::Location);
    let ways: [Set; 8] = [
        |d| number(d, "sample_rate", 2000i32),
        |d| number(d, "sample_rate", 2000u64),
        |d| number(d, "sample_rate", 2000f32),
        |d| {
            drop(
                d.new_attr_builder()
                    .with_data(&[2000.0])
                    .create("sample_rate")
                    .unwrap(),
            )
        },
        |d| {
            d.new_attr::<i16>()
                .shape([1, 1])
                .create("sample_rate")
                .unwrap()
                .write_raw(&[2000i16])
                .unwrap()
        },
        |d| text(d, "sample_rate", "2 kHz"),
        |d| {
            number(
                d,
                "sample_rate",
                FixedAscii::<20>::from_ascii("2000").unwrap(),
            )
        },
        |d| {
            number(
                d,
                "sample_rate",
                "2000 Hz".parse::<FixedUnicode<12>>().unwrap(),
            )
        },
    ];
    for (i, set) in ways.iter().enumerate() {
        let folder = tempfile::tempdir().unwrap();
        let path = file(folder.path(), "a.h5", |f| {
            let dataset = f
                .new_dataset_builder()
                .with_data(&[1.0, 2.0])
                .create("detector")
                .unwrap();
            set(&dataset);
        });
        assert_eq!(header(&path, "detector").rate, 2000.0, "way {i}");
    }
}

#[test]
fn datasets_that_are_not_there() {
    let default = Channel::default();
    let near = fault(
        |f| {
            drop(
                f.new_dataset_builder()
                    .with_data(&[1.0])
                    .create("detectr")
                    .unwrap(),
            )
        },
        &default,
        None,
    );
    assert_eq!(
        near,
        "`/detector`: expected a dataset, found none of this name; did you mean `/detectr`? name it with `dataset` in the wiring of `detector`"
    );
    let deep = fault(
        |f| {
            drop(
                f.create_group("raw/deep/er")
                    .unwrap()
                    .new_dataset_builder()
                    .with_data(&[1.0])
                    .create("Detector")
                    .unwrap(),
            )
        },
        &default,
        None,
    );
    assert!(
        deep.contains("did you mean `/raw/deep/er/Detector`?"),
        "{deep}"
    );
    let far = fault(
        |f| {
            drop(
                f.new_dataset_builder()
                    .with_data(&[1.0])
                    .create("x")
                    .unwrap(),
            )
        },
        &default,
        None,
    );
    assert!(
        far.contains("there are `/x`; name it with `dataset`"),
        "{far}"
    );
    assert!(fault(|_| (), &default, None).contains("there are no datasets"));
    let group = fault(
        |f| {
            drop(
                f.create_group("detector")
                    .unwrap()
                    .new_dataset_builder()
                    .with_data(&[1.0])
                    .create("in")
                    .unwrap(),
            )
        },
        &default,
        None,
    );
    assert!(
        group.contains("expected a dataset, found a group; there are `/detector/in`"),
        "{group}"
    );
}

#[test]
fn shapes_and_types_that_are_no_samples() {
    let default = Channel::default();
    let of = |fill: fn(&hdf5::File)| fault(fill, &default, None);
    let cube = of(|f| {
        drop(
            f.new_dataset::<f64>()
                .shape([2, 2, 2])
                .create("detector")
                .unwrap(),
        )
    });
    assert!(
        cube.contains(
            "expected the shape [sample] or [point, sample], found 3 dimensions [2, 2, 2]"
        ),
        "{cube}"
    );
    let scalar = of(|f| drop(f.new_dataset::<f64>().create("detector").unwrap()));
    assert!(scalar.contains("found 0 dimensions []"), "{scalar}");
    let empty = of(|f| {
        drop(
            f.new_dataset::<f64>()
                .shape([0])
                .create("detector")
                .unwrap(),
        )
    });
    assert!(
        empty.contains("expected at least one point and one sample, found the shape [0]"),
        "{empty}"
    );
    let rowless = of(|f| {
        drop(
            f.new_dataset::<f64>()
                .shape([0, 5])
                .create("detector")
                .unwrap(),
        )
    });
    assert!(rowless.contains("found the shape [0, 5]"), "{rowless}");
    let words = of(|f| {
        drop(
            f.new_dataset::<FixedAscii<8>>()
                .shape([3])
                .create("detector")
                .unwrap(),
        )
    });
    assert!(
        words.contains(
            "expected integers of 8 to 64 bits, float32 or float64, found string (len 8)"
        ),
        "{words}"
    );
    let flags = of(|f| {
        drop(
            f.new_dataset::<bool>()
                .shape([3])
                .create("detector")
                .unwrap(),
        )
    });
    assert!(flags.contains("found bool"), "{flags}");
    let huge = of(|f| {
        // 2^26 samples of 8 bytes are 512 MiB; nothing is stored, as nothing is written.
        drop(
            f.new_dataset::<f64>()
                .chunk([1 << 26])
                .shape([1 << 26])
                .create("detector")
                .unwrap(),
        );
    });
    assert!(
        huge.contains("expected chunks of at most 256 MiB (limit), found 512 MiB"),
        "{huge}"
    );
}

#[test]
fn rates_scales_and_units_that_do_not_fit() {
    let default = Channel::default();
    let none = fault(
        |f| {
            text(
                &f.new_dataset_builder()
                    .with_data(&[1.0])
                    .create("detector")
                    .unwrap(),
                "colour",
                "red",
            )
        },
        &default,
        None,
    );
    assert_eq!(
        none,
        "`/detector`: expected an attribute `sample_rate` in Hz, found none; it has the attributes `colour`; state `rate` in the wiring of `detector`"
    );
    for (bad, words) in [
        (0.0, "0"),
        (-5.0, "-5"),
        (f64::NAN, "NaN"),
        (f64::INFINITY, "inf"),
    ] {
        let channel = Channel {
            rate: Some(RateOrigin::Stated(bad)),
            ..Channel::default()
        };
        let message = fault(|f| drop(good(f)), &channel, None);
        assert!(
            message.contains(&format!(
                "expected a sample rate above 0 Hz, found {words} Hz"
            )),
            "{message}"
        );
    }
    let with = |set: fn(&hdf5::Dataset)| fault(|f| set(&good(f)), &default, Some("V"));
    assert!(
        with(|d| number(d, "scale", 0.0))
            .contains("expected a scale that is finite and not 0, found 0")
    );
    assert!(
        with(|d| number(d, "offset", f64::NAN)).contains("expected a finite offset, found NaN")
    );
    assert!(
        with(|d| number(d, "full_scale", -1.0)).contains("expected a full scale above 0, found -1")
    );
    let two = with(|d| {
        drop(
            d.new_attr_builder()
                .with_data(&[1.0, 2.0])
                .create("scale")
                .unwrap(),
        )
    });
    assert!(
        two.contains("`/detector@scale`: expected one number, found [1, 2]"),
        "{two}"
    );
    let amperes = with(|d| text(d, "units", "A"));
    assert!(
        amperes.contains("expected a unit such as V, found A; name another dataset"),
        "{amperes}"
    );
    let strange = with(|d| text(d, "units", "quux"));
    assert!(
        strange.contains(
            "`/detector@units`: expected a unit, found `quux`, write it in SI units; state `unit` in the wiring"
        ),
        "{strange}"
    );
    let length = with(|d| text(d, "scale", "3 nm"));
    assert!(
        length.contains("expected a number, or a quantity with a unit such as V, found `3 nm`"),
        "{length}"
    );
    let named = Channel {
        scale: Some(Origin::Attribute("gain".into())),
        ..Channel::default()
    };
    let missing = fault(|f| drop(good(f)), &named, None);
    assert!(missing.contains("`/detector@gain`: expected an attribute of this name, found none; it has the attributes `sample_rate`"), "{missing}");
}

#[test]
fn quantities_in_attributes_are_taken_into_the_channels_unit() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        let dataset = good(f);
        text(&dataset, "units", "mV");
        text(&dataset, "full_scale", "2 V");
        text(&dataset, "scale", "0.5");
    });
    let found = header(&path, "detector");
    assert_eq!((found.full_scale, found.scale), (Some(2000.0), 0.5));
}

fn timed(times: impl Fn(&hdf5::File), channel: &str) -> Result<ChannelHeader, String> {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        f.new_dataset_builder()
            .with_data(&[1i16, 2, 3, 4])
            .create("detector")
            .unwrap();
        times(f);
    });
    let channel = Channel {
        rate: Some(RateOrigin::Times(channel.into())),
        ..Channel::default()
    };
    let found = RecordingFile::open(&path)
        .unwrap()
        .channel("detector", &channel, None);
    found.map_err(|e| e.to_string().replace(&format!("{}: ", path.display()), ""))
}

#[test]
fn rates_come_from_sample_times() {
    let seconds = timed(
        |f| {
            drop(
                f.new_dataset_builder()
                    .with_data(&[0.0, 0.1, 0.2, 0.3])
                    .create("t")
                    .unwrap(),
            )
        },
        "t",
    );
    assert_eq!(
        seconds.map(|h| (h.rate, h.samples, h.stretches)).unwrap(),
        (10.0, 4, vec![])
    );
    let whole = |f: &hdf5::File| {
        // Nanoseconds since 1970: too long for a float64, whose neighbours are 256 apart there.
        let start = 1_800_000_000_000_000_001i64;
        let times = [start, start + 20_000, start + 60_000, start + 80_000];
        let dataset = f
            .new_dataset_builder()
            .with_data(&times)
            .create("t")
            .unwrap();
        text(&dataset, "units", "ns since 1970-01-01");
    };
    let found = timed(whole, "/t").unwrap();
    let stretches = vec![
        Stretch {
            stored: 0,
            grid: 0,
            length: 2,
        },
        Stretch {
            stored: 2,
            grid: 3,
            length: 2,
        },
    ];
    assert_eq!(
        (found.rate, found.samples, found.stretches),
        (50e3, 5, stretches)
    );
    let coarse = timed(
        |f| {
            text(
                &f.new_dataset_builder()
                    .with_data(&[0f32, 2.5, 5.0, 7.5])
                    .create("t")
                    .unwrap(),
                "units",
                "ms",
            )
        },
        "t",
    );
    assert_eq!(coarse.unwrap().rate, 400.0);
    let in_words = |f: &hdf5::File| {
        text(
            &array(f, "t", &[4], &[0u16, 2, 4, 6]),
            "units",
            "minutes since 2026-01-01",
        )
    };
    assert_eq!(timed(in_words, "t").unwrap().rate, 1.0 / 120.0);
}

#[test]
fn sample_times_that_do_not_fit() {
    let of = |times: &[f64]| {
        timed(
            |f| {
                drop(
                    f.new_dataset_builder()
                        .with_data(times)
                        .create("t")
                        .unwrap(),
                )
            },
            "t",
        )
        .unwrap_err()
    };
    assert!(
        of(&[0.0, 1.0, 2.0])
            .contains("`/t`: expected 4 times, one per sample, found the shape [3]")
    );
    assert!(
        of(&[0.0, 1.0, 2.0, 2.5]).contains(
            "found 0.5 from sample 2 to 3; resample the recording, or cut it there (in s)"
        )
    );
    assert!(of(&[0.0, 1.0, f64::NAN, 2.5]).contains("no number at sample 1 or 2"));
    let miles = timed(
        |f| {
            text(
                &f.new_dataset_builder()
                    .with_data(&[0, 1, 2, 3])
                    .create("t")
                    .unwrap(),
                "units",
                "V",
            )
        },
        "t",
    );
    assert!(
        miles
            .unwrap_err()
            .contains("`/t@units`: expected a unit of time, found `V`")
    );
    assert!(
        timed(|_| (), "t")
            .unwrap_err()
            .contains("expected a dataset, found none of this name")
    );
}
