//! Tests of the cache, on its own files and forms.

use std::sync::Arc;

use num_complex::Complex64;
use proptest::prelude::*;

use super::closing::{from_bytes, to_bytes};
use super::folder::{Folder, Found};
use crate::aspect::Interval;
use crate::constant::Distribution;
use crate::stage::{ClockFound, Closing, Span};
use crate::units::Unit;
use crate::value::{About, Estimate, Evaluation, Part, Quantified, Reach, Table, Value};

fn everything() -> Closing {
    let stated = About {
        evaluation: Evaluation::Stated,
        distribution: Distribution::Arcsine,
        ..About::new("limits", Reach::Everywhere, f64::INFINITY)
    };
    let (noise, limits) = (
        About::scatter("µ noise", Reach::Point, 7.5),
        Arc::new(stated),
    );
    let turn = About::scatter("a turn", Reach::Clock, f64::INFINITY);
    // A NaN with bits of its own.
    let odd = f64::from_bits(0xfff8_dead_beef_0001);
    let estimate = Estimate {
        parts: Some(vec![
            Part::new(&noise, 0, Complex64::new(0.1, -0.0)),
            Part::new(&limits, 0, Complex64::new(odd, 1e-320)),
            Part::new(&noise, u32::MAX, Complex64::new(0.2, 0.3)),
        ]),
        scatter: Some(Complex64::new(0.5, odd)),
        count: Some(u64::MAX),
        missing: 3,
        ..Estimate::bare(Complex64::new(-0.0, f64::NEG_INFINITY))
    };
    let table = |u: Option<Vec<f64>>| Table {
        x: vec![0.0, odd],
        y: vec![],
        u,
    };
    Closing {
        values: vec![
            Value::Estimate(estimate),
            Value::Estimate(Estimate::real(2.0)),
            Value::Table(table(None)),
            Value::Table(table(Some(vec![1.0]))),
        ],
        remarks: vec![String::new(), "2 samples at full scale: ±".into()],
        span: Some(Span {
            first: 3,
            samples: u64::MAX,
        }),
        clock: Some(ClockFound {
            phase: Some(Part::new(&turn, 2, Complex64::new(0.01, -0.0))),
            up: Some((0.2, odd)),
        }),
    }
}

#[test]
fn closings_come_back_bit_by_bit() {
    let bytes = to_bytes(&everything()).unwrap();
    let back = from_bytes(&bytes).unwrap();
    assert_eq!(to_bytes(&back).unwrap(), bytes);
    // Debug prints every NaN alike; the bytes do not.
    assert_eq!(format!("{back:?}"), format!("{:?}", everything()));
    let Value::Estimate(estimate) = &back.values[0] else {
        panic!("expected an estimate");
    };
    let parts = estimate.parts.as_ref().unwrap();
    assert!(Arc::ptr_eq(&parts[0].source.about, &parts[2].source.about));
    assert_eq!(
        parts[1].effect.re.to_bits(),
        f64::from_bits(0xfff8_dead_beef_0001).to_bits()
    );
    assert_eq!(to_bytes(&Closing::default()).map(|b| b.len()), Some(18));
}

#[test]
fn what_no_stage_gives_is_not_kept() {
    let of = |estimate: Estimate| to_bytes(&Closing::values(vec![Value::Estimate(estimate)]));
    assert!(of(Estimate::real(1.0)).is_some());
    let interval = Interval {
        u: 1.0,
        degrees_of_freedom: 1.0,
        low: 0.0,
        high: 1.0,
    };
    let drawn = Some(Arc::from([interval]));
    assert!(
        of(Estimate {
            drawn,
            ..Estimate::real(1.0)
        })
        .is_none()
    );
    let quantity = Quantified {
        value: 1.0,
        standard_uncertainty: 0.1,
        unit: Unit::volt(),
    };
    let constant = About::constant("gain", Some(quantity));
    let parts = Some(vec![Part::new(&constant, 0, 1.0)]);
    assert!(
        of(Estimate {
            parts,
            ..Estimate::real(1.0)
        })
        .is_none()
    );
}

#[test]
fn bytes_cut_short_stand_for_nothing() {
    let bytes = to_bytes(&everything()).unwrap();
    for end in 0..bytes.len() {
        assert!(from_bytes(&bytes[..end]).is_none(), "{end}");
    }
    assert!(from_bytes(&[&bytes[..], &[0]].concat()).is_none());
    // A count of items that cannot be there asks for no memory.
    assert!(from_bytes(&u64::MAX.to_le_bytes()).is_none());
}

proptest! {
    #[test]
    fn any_bytes_stand_for_something_or_nothing(bytes in proptest::collection::vec(0u8..4, 0..200)) {
        if let Some(closing) = from_bytes(&bytes) {
            prop_assert!(to_bytes(&closing).is_some());
        }
    }
}

#[test]
fn entries_are_whole_or_nothing() {
    let at = tempfile::tempdir().unwrap();
    let folder = Folder::make(at.path()).unwrap();
    let name = "0123-end";
    assert!(matches!(folder.read(name), Found::Nothing));
    assert!(folder.keep_bytes(name, b"some bytes"));
    assert!(matches!(folder.read(name), Found::Whole(bytes) if bytes == b"some bytes"));
    let path = at.path().join("01/0123-end.kept");
    let whole = std::fs::read(&path).unwrap();
    for bit in 0..8 * whole.len() {
        let mut bytes = whole.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        std::fs::write(&path, bytes).unwrap();
        assert!(matches!(folder.read(name), Found::Damaged), "bit {bit}");
        assert!(!path.exists());
    }
    for end in 0..whole.len() {
        std::fs::write(&path, &whole[..end]).unwrap();
        assert!(matches!(folder.read(name), Found::Damaged), "{end} bytes");
    }
    // Dropped before it has a name, an entry leaves nothing.
    drop(folder.begin().unwrap());
    assert_eq!(folder.held().entries, 0);
    assert_eq!(std::fs::read_dir(at.path()).unwrap().count(), 2);
    // What is there is a cache now, and is opened as one.
    Folder::make(at.path()).unwrap();
    Folder::existing(at.path()).unwrap();
}
