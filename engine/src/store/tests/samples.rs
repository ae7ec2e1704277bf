//! Samples of every type, layout and shape, however they are sliced.

use hdf5::H5Type;

use super::{Seen, array, file, header, number, read, text};
use crate::recipe::{Channel, RateOrigin};
use crate::store::{ChannelHeader, Counters, CutOff, RecordingFile};

/// A column of numbers that compress neither well nor badly, from -125 to 125.
fn pattern(length: usize) -> Vec<i64> {
    (0..length as i64).map(|i| (i * 7919) % 251 - 125).collect()
}

/// The header of the 1-D dataset `name`, with a scale that keeps rails away.
fn plain(path: &std::path::Path, name: &str) -> ChannelHeader {
    let channel = Channel {
        rate: Some(RateOrigin::Stated(1e3)),
        ..Channel::default()
    };
    RecordingFile::open(path)
        .unwrap()
        .channel(name, &channel, None)
        .unwrap()
}

fn every_layout<T: H5Type + Copy>(convert: impl Fn(i64) -> T, back: impl Fn(i64) -> f64) {
    let folder = tempfile::tempdir().unwrap();
    let values: Vec<T> = pattern(5000).into_iter().map(convert).collect();
    let expected: Vec<f64> = pattern(5000).into_iter().map(back).collect();
    let path = file(folder.path(), "a.h5", |f| {
        let make = |name: &str, builder: hdf5::DatasetBuilder| {
            drop(builder.with_data(&values).create(name).unwrap())
        };
        let new = || f.new_dataset_builder();
        make("contiguous", new());
        make("chunks", new().chunk([333]));
        make("small_chunks", new().chunk([7]));
        make("deflate", new().chunk([1000]).shuffle().deflate(4));
        make("lzf", new().chunk([1000]).lzf());
        make("checked", new().chunk([512]).fletcher32());
    });
    let first = read(&path, &plain(&path, "contiguous"), 0, 5000);
    assert_eq!(first.values(), expected);
    for name in [
        "contiguous",
        "chunks",
        "small_chunks",
        "deflate",
        "lzf",
        "checked",
    ] {
        for slice in [1, 64, 999, 5000] {
            assert_eq!(
                read(&path, &plain(&path, name), 0, slice),
                first,
                "{name} in slices of {slice}"
            );
        }
    }
}

#[test]
fn every_type_and_layout_gives_the_same_values_and_hash() {
    every_layout(|v| v as i8, |v| v as f64);
    every_layout(|v| v as i16 * 200, |v| v as f64 * 200.0);
    every_layout(|v| v as i32 * 10_000_000, |v| v as f64 * 1e7);
    every_layout(|v| v << 40, |v| (v << 40) as f64);
    every_layout(|v| (v + 125) as u8, |v| (v + 125) as f64);
    every_layout(|v| (v + 125) as u16 * 200, |v| (v + 125) as f64 * 200.0);
    every_layout(
        |v| (v + 125) as u32 * 10_000_000,
        |v| (v + 125) as f64 * 1e7,
    );
    every_layout(
        |v| ((v + 125) as u64) << 50,
        |v| (((v + 125) as u64) << 50) as f64,
    );
    every_layout(|v| v as f32 * 0.1, |v| f64::from(v as f32 * 0.1));
    every_layout(|v| v as f64 * 0.1, |v| v as f64 * 0.1);
}

#[test]
fn points_are_rows_whatever_the_chunks() {
    let folder = tempfile::tempdir().unwrap();
    let values: Vec<i16> = pattern(6 * 1000).into_iter().map(|v| v as i16).collect();
    let path = file(folder.path(), "a.h5", |f| {
        let new = || f.new_dataset::<i16>();
        for (name, builder) in [
            ("contiguous", new()),
            ("rows", new().chunk([1, 300])),
            ("blocks", new().chunk([4, 130]).shuffle().deflate(1)),
            ("columns", new().chunk([6, 1]).deflate(1)),
        ] {
            builder
                .shape([6, 1000])
                .create(name)
                .unwrap()
                .write_raw(&values)
                .unwrap();
        }
    });
    for name in ["contiguous", "rows", "blocks", "columns"] {
        let header = plain(&path, name);
        for point in 0..6 {
            let expected: Vec<f64> = values[point * 1000..][..1000]
                .iter()
                .map(|&v| f64::from(v))
                .collect();
            let seen = read(&path, &header, point as u64, 1000);
            assert_eq!(seen.values(), expected, "{name} {point}");
            assert_eq!(
                read(&path, &header, point as u64, 77),
                seen,
                "{name} {point}"
            );
        }
    }
}

#[test]
fn codes_become_si_values() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        let dataset = f
            .new_dataset_builder()
            .with_data(&[-2i16, 0, 3])
            .create("detector")
            .unwrap();
        number(&dataset, "sample_rate", 1);
        number(&dataset, "scale", 0.5);
        number(&dataset, "offset", 4.0);
        text(&dataset, "units", "mV");
    });
    let seen = read(&path, &header(&path, "detector"), 0, 3);
    // (code x 0.5 + 4) mV by hand: 3, 4 and 5.5 mV.
    assert_eq!(seen.values(), [3.0 * 1e-3, 4.0 * 1e-3, 5.5 * 1e-3]);
    assert_eq!(
        (seen.counters.minimum, seen.counters.maximum),
        (Some(3.0 * 1e-3), Some(5.5 * 1e-3))
    );
}

#[test]
fn missing_samples_are_nan_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        let floats = [1.0f32, f32::NAN, -4.0, f32::INFINITY, 7.0, -9.0];
        f.new_dataset_builder()
            .with_data(&floats)
            .create("floats")
            .unwrap();
        f.new_dataset_builder()
            .with_data(&[5i32, -999, 6, -999, 7, 8])
            .create("codes")
            .unwrap();
        f.new_dataset_builder()
            .with_data(&[0.0, 1.0, 2.0, 6.0, 7.0, 9.0])
            .create("t")
            .unwrap();
    });
    let recording = RecordingFile::open(&path).unwrap();
    let of = |role: &str, channel: Channel| recording.channel(role, &channel, None).unwrap();
    let stated = Some(RateOrigin::Stated(1.0));
    let floats = of(
        "floats",
        Channel {
            rate: stated.clone(),
            missing: Some(7.0),
            ..Channel::default()
        },
    );
    let seen = read(&path, &floats, 0, 4);
    assert_eq!(
        seen.values().iter().map(|v| v.is_nan()).collect::<Vec<_>>(),
        [false, true, false, true, true, false]
    );
    let counters = Counters {
        missing: 3,
        infinite: 1,
        first_missing: Some(1),
        minimum: Some(-9.0),
        maximum: Some(1.0),
        ends: seen.counters.ends,
        ..Counters::default()
    };
    assert_eq!(seen.counters, counters);
    let codes = of(
        "codes",
        Channel {
            rate: stated,
            missing: Some(-999.0),
            ..Channel::default()
        },
    );
    let seen = read(&path, &codes, 0, 6);
    assert_eq!(
        (
            seen.counters.missing,
            seen.counters.first_missing,
            seen.counters.minimum
        ),
        (2, Some(1), Some(5.0))
    );
    let gappy = of(
        "codes",
        Channel {
            rate: Some(RateOrigin::Times("t".into())),
            missing: Some(-999.0),
            ..Channel::default()
        },
    );
    assert_eq!(gappy.samples, 10);
    let whole = read(&path, &gappy, 0, 10);
    // Samples 3 to 5 and 8 are in gaps, 1 and 6 hold the code for a missing one.
    let nan: Vec<usize> = (0..10).filter(|&i| whole.values()[i].is_nan()).collect();
    assert_eq!(nan, [1, 3, 4, 5, 6, 8]);
    assert_eq!(
        (whole.values()[2], whole.values()[7], whole.values()[9]),
        (6.0, 7.0, 8.0)
    );
    assert_eq!(
        (whole.counters.missing, whole.counters.first_missing),
        (6, Some(1))
    );
    assert_eq!(whole.hash, seen.hash, "gaps add nothing to the hash");
    for slice in 1..10 {
        assert_eq!(read(&path, &gappy, 0, slice), whole, "slices of {slice}");
    }
}

fn clipped(codes: &[i16], full_scale: Option<f64>) -> (u64, Option<u64>) {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        drop(
            f.new_dataset_builder()
                .with_data(codes)
                .create("x")
                .unwrap(),
        )
    });
    let header = ChannelHeader {
        scale: 10.0 / 32768.0,
        full_scale,
        ..plain(&path, "x")
    };
    let counters = read(&path, &header, 0, 3).counters;
    (counters.clipped, counters.first_clipped)
}

#[test]
fn samples_at_full_scale_are_counted() {
    assert_eq!(clipped(&[0, 32766, -32767, 5, 6], None), (0, None));
    assert_eq!(clipped(&[0, 32767, -32768, 32767, 6], None), (3, Some(1)));
    // A positive full scale of 10 V is never reached: the last code is one short of it.
    assert_eq!(
        clipped(&[0, 32766, -32767, 32767, -32768], Some(10.0)),
        (3, Some(2))
    );
    assert_eq!(
        clipped(&[0, 16380, 16384, 16383, -16384], Some(5.0)),
        (3, Some(2))
    );
}

#[test]
fn logic_levels_are_not_clipped_and_offset_binary_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        drop(
            f.new_dataset_builder()
                .with_data(&[0u8, 1, 0, 1, 255])
                .create("x")
                .unwrap(),
        )
    });
    let logic = plain(&path, "x");
    assert_eq!(read(&path, &logic, 0, 5).counters.clipped, 1);
    let binary = ChannelHeader {
        offset: -1.28,
        scale: 0.01,
        ..logic
    };
    assert_eq!(read(&path, &binary, 0, 5).counters.clipped, 3);
}

#[test]
fn floats_clip_at_the_stated_full_scale_only() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        drop(
            f.new_dataset_builder()
                .with_data(&[1e30, -2.0, 1.999, 2.0])
                .create("x")
                .unwrap(),
        )
    });
    assert_eq!(read(&path, &plain(&path, "x"), 0, 4).counters.clipped, 0);
    let header = ChannelHeader {
        full_scale: Some(2.0),
        scale: -1.0,
        ..plain(&path, "x")
    };
    assert_eq!(read(&path, &header, 0, 4).counters.clipped, 3);
}

#[test]
fn threads_read_points_of_one_file_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let values: Vec<i16> = pattern(8 * 3000).into_iter().map(|v| v as i16).collect();
    let path = file(folder.path(), "a.h5", |f| {
        let builder = f.new_dataset::<i16>().chunk([2, 700]).shuffle().deflate(1);
        builder
            .shape([8, 3000])
            .create("x")
            .unwrap()
            .write_raw(&values)
            .unwrap();
    });
    let header = plain(&path, "x");
    let alone: Vec<Seen> = (0..8).map(|p| read(&path, &header, p, 3000)).collect();
    let recording = RecordingFile::open(&path).unwrap();
    let together: Vec<Vec<f64>> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..8)
            .map(|point| {
                let reader = recording.reader(&header).unwrap();
                scope.spawn(move || {
                    let mut out = vec![0.0; 3000];
                    for (i, out) in out.chunks_mut(500).enumerate() {
                        reader
                            .read(point, i as u64 * 500, out, &mut Counters::default(), None)
                            .unwrap();
                    }
                    out
                })
            })
            .collect();
        threads.into_iter().map(|t| t.join().unwrap()).collect()
    });
    assert_eq!(together, alone.iter().map(Seen::values).collect::<Vec<_>>());
}

/// Such chunks are for the library, which loads several of them at once.
#[test]
fn a_damaged_chunk_that_the_library_reads_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        let builder = f.new_dataset_builder().chunk([1000]).fletcher32();
        let builder =
            builder.chunk_opts(hdf5::plist::dataset_create::ChunkOpts::DONT_FILTER_PARTIAL_CHUNKS);
        let values: Vec<i16> = (0..3500).collect();
        builder.with_data(&values).create("x").unwrap();
    });
    let header = plain(&path, "x");
    let mut bytes = std::fs::read(&path).unwrap();
    let wanted: Vec<u8> = (1500..1532i16).flat_map(i16::to_le_bytes).collect();
    let at = bytes.windows(64).rposition(|w| w == wanted).unwrap();
    bytes[at] ^= 1;
    std::fs::write(&path, bytes).unwrap();
    let reader = RecordingFile::open(&path).unwrap().reader(&header).unwrap();
    assert!(!reader.is_direct());
    let mut out = [0.0; 10];
    let read = reader.read(0, 0, &mut out, &mut Counters::default(), None);
    let message = read.unwrap_err().to_string();
    assert!(
        message
            .contains("cannot read samples 0 to 10: the chunk of samples 1000 to 2000: data error"),
        "{message}"
    );
}

#[test]
fn damage_and_samples_beyond_the_end_are_errors() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        f.new_dataset_builder()
            .chunk([1000])
            .fletcher32()
            .with_data(&vec![77i16; 3000])
            .create("x")
            .unwrap();
    });
    let header = plain(&path, "x");
    let mut bytes = std::fs::read(&path).unwrap();
    let pair = 77i16.to_le_bytes();
    let run = bytes
        .windows(64)
        .rposition(|w| w.chunks(2).all(|c| c == pair))
        .unwrap();
    bytes[run] ^= 1;
    std::fs::write(&path, bytes).unwrap();
    let reader = RecordingFile::open(&path).unwrap().reader(&header).unwrap();
    let mut out = [0.0; 10];
    let mut at = |start: u64, point: u64| {
        reader.read(point, start, &mut out, &mut Counters::default(), None)
    };
    assert!(at(0, 0).is_ok());
    let message = at(2500, 0).unwrap_err().to_string();
    assert!(
        message.contains(
            "`/x`: cannot read samples 2500 to 2510: the chunk of samples 2000 to 3000 (2004 bytes at byte"
        ),
        "{message}"
    );
    assert!(
        message.contains("data error detected by Fletcher32 checksum; copy the file again"),
        "{message}"
    );
    assert!(
        at(2995, 0)
            .unwrap_err()
            .to_string()
            .contains("expected point below 1 and samples up to 3000")
    );
    assert!(at(0, 1).is_err());
}

/// What is cut off far below the rails of the converter is told the same way however samples are read, though only a part
/// of them is looked at.
#[test]
fn a_signal_that_is_cut_off_is_told_whatever_slices_are_read() {
    let folder = tempfile::tempdir().unwrap();
    // A sine of 1000 codes, 289 samples a period; above 0.9 of its amplitude for acos(0.9)/pi = 14.36 % of the time.
    let samples = 150_000;
    let sine = |i: usize| 1000.0 * libm::sin(std::f64::consts::TAU * 0.00346 * i as f64);
    let whole: Vec<i16> = (0..samples).map(|i| sine(i).round() as i16).collect();
    let cut: Vec<i16> = whole.iter().map(|c| (*c).min(900)).collect();
    let path = file(folder.path(), "a.h5", |f| {
        number(f, "sample_rate", 1000.0);
        for (name, codes) in [("whole", &whole), ("cut", &cut)] {
            let dataset = array(f, name, &[samples], codes);
            number(&dataset, "scale", -0.001);
            text(&dataset, "units", "V");
        }
    });
    let whole = header(&path, "whole");
    let seen = read(&path, &whole, 0, 4096).counters;
    assert_eq!(seen.remarks(&whole, false), [""; 0]);
    let cut = header(&path, "cut");
    let all = read(&path, &cut, 0, samples);
    for slice in [1000, 2048, 32_768] {
        assert_eq!(read(&path, &cut, 0, slice), all);
    }
    // The scale turns the signs. Two stretches of 10 240 samples together are looked at, each of which may begin or end
    // within a top of 42 samples: 84/10240 is 0.0082.
    let found = all.counters.cut_off();
    assert!(
        matches!(found[..], [CutOff { value, is_largest: false, part }] if (value + 0.9).abs() < 1e-12 && (part - 0.1436).abs() < 0.0083),
        "{found:?}"
    );
    let remarks = all.counters.remarks(&cut, false);
    assert!(
        matches!(&remarks[..], [one] if one.contains("smallest value, -900") && one.contains("less gain")),
        "{remarks:?}"
    );
    assert_eq!(all.counters.remarks(&cut, true), [""; 0]);
}

/// Codes round(offset + noise), of Gaussian noise, with a scale of 1 mV; the noise in steps.
fn dithered(offset: f64, rms: f64, samples: usize) -> Vec<i16> {
    use rand_chacha::rand_core::{Rng, SeedableRng};
    let mut generator = rand_chacha::ChaCha8Rng::seed_from_u64(17);
    let mut uniform = || (generator.next_u32() as f64 + 0.5) / 4294967296.0;
    // Box and Muller, Ann. Math. Stat. 29, 610 (1958).
    let mut one = || {
        let radius = (-2.0 * libm::log(uniform())).sqrt();
        radius * libm::cos(std::f64::consts::TAU * uniform())
    };
    (0..samples)
        .map(|_| (offset + rms * one()).round() as i16)
        .collect()
}

/// What is said of codes of which one is 1 mV, and of how many steps.
fn said_of(
    codes: &[i16],
    unit: &str,
    scale: f64,
    is_reference: bool,
) -> (Option<u64>, Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        number(f, "sample_rate", 1000.0);
        let dataset = array(f, "x", &[codes.len()], codes);
        number(&dataset, "scale", scale);
        text(&dataset, "units", unit);
    });
    let header = header(&path, "x");
    let seen = read(&path, &header, 0, 5000).counters;
    (seen.spanned(&header), seen.remarks(&header, is_reference))
}

#[test]
fn a_converter_that_noise_does_not_dither_is_told() {
    for offset in [0.0, 0.25, 0.5] {
        let coarse = dithered(offset, 0.2, 10_000);
        let (spanned, said) = said_of(&coarse, "V", 1e-3, false);
        // Within five standard deviations, one step, are at most three codes and at least one.
        assert!(matches!(spanned, Some(1..=3)), "{spanned:?} at {offset}");
        assert!(
            matches!(&said[..], [one] if one.contains("of the converter, of 1.0000 mV") && one.contains("more gain")),
            "{said:?}"
        );
        assert_eq!(said_of(&coarse, "V", 1e-3, true).1, [""; 0]);
        // Noise of 0.7 steps is beyond two steps from its mean once in 230 samples (2.86 standard deviations), and is not
        // among 10 000 with a chance of exp(-43).
        let fine = dithered(offset, 0.7, 10_000);
        assert_eq!(said_of(&fine, "V", 1e-3, false), (None, vec![]));
        // Too few samples to tell.
        assert_eq!(said_of(&coarse[..8000], "V", 1e-3, false).0, None);
    }
    // Things that are counted come in whole numbers; codes of which one is a part of a number do not.
    let counts: Vec<i16> = (0..10_000).map(|i| i16::from(i % 100 == 0)).collect();
    for unit in ["1", "count"] {
        assert_eq!(said_of(&counts, unit, 1.0, false).0, None, "{unit}");
    }
    assert_eq!(said_of(&counts, "1", 0.5, false).0, Some(1));
    // A single step is none: that all samples are alike is said.
    let (spanned, said) = said_of(&[7; 10_000], "V", 1e-3, false);
    assert!(spanned.is_none() && said.len() == 1 && said[0].starts_with("all samples are"));
}

/// Zeros that stand for a buffer that was lost are told with their place, whatever slices are read and however they are
/// stored.
#[test]
fn samples_that_stand_still_are_told_whatever_slices_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let mut codes = dithered(0.0, 100.0, 50_000);
    // Ten whole windows of 2048 from window 5 on.
    codes[10_000..30_800].fill(0);
    let floats: Vec<f32> = codes.iter().map(|c| f32::from(*c) * 1e-3).collect();
    let path = file(folder.path(), "a.h5", |f| {
        number(f, "sample_rate", 1000.0);
        let dataset = array(f, "codes", &[codes.len()], &codes);
        number(&dataset, "scale", 1e-3);
        text(&dataset, "units", "V");
        text(&array(f, "floats", &[codes.len()], &floats), "units", "V");
    });
    for name in ["codes", "floats"] {
        let header = header(&path, name);
        let all = read(&path, &header, 0, codes.len());
        for slice in [999, 2048, 2049, 32_768] {
            assert_eq!(read(&path, &header, 0, slice), all, "slices of {slice}");
        }
        let still = all.counters.still;
        assert_eq!((still.samples, still.first), (20_480, Some(10_240)));
        let said = all.counters.remarks(&header, false);
        assert!(
            matches!(&said[..], [one] if one.starts_with("at least 20480 samples stand still, 2048 or more in a row at one value, the first at or before sample 10240:")),
            "{said:?}"
        );
        assert_eq!(all.counters.remarks(&header, true), [""; 0]);
    }
    // What is missing or at full scale is counted as such.
    let missing = Channel {
        missing: Some(0.0),
        ..Channel::default()
    };
    let recording = RecordingFile::open(&path).unwrap();
    let header = recording.channel("codes", &missing, None).unwrap();
    assert_eq!(read(&path, &header, 0, 4096).counters.still.samples, 0);
    let full: Vec<i16> = codes
        .iter()
        .map(|c| if *c == 0 { i16::MAX } else { *c })
        .collect();
    assert!(
        matches!(&said_of(&full, "V", 1e-3, false).1[..], [one] if one.contains("at full scale"))
    );
}

#[test]
fn what_is_missing_or_all_alike_is_said_as_it_is() {
    let header = ChannelHeader::assumed("x", 1.0, 10, crate::units::Unit::volt());
    let counters = |missing, infinite| Counters {
        missing,
        infinite,
        first_missing: Some(4),
        ..Counters::default()
    };
    for (found, wanted) in [
        (counters(1, 0), "1 sample missing, the first at sample 4"),
        (counters(3, 0), "3 samples missing, the first at sample 4"),
        (
            counters(3, 2),
            "3 samples missing (2 infinite), the first at sample 4",
        ),
        (
            counters(1, 1),
            "1 sample missing (infinite), the first at sample 4",
        ),
    ] {
        assert_eq!(found.remarks(&header, false), [wanted]);
    }
    let dead = Counters {
        minimum: Some(0.25),
        maximum: Some(0.25),
        ..Counters::default()
    };
    let said = dead.remarks(&header, false);
    assert!(
        said.len() == 1 && said[0].starts_with("all samples are 250"),
        "{said:?}"
    );
}
