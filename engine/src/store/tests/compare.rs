//! What of an output differs from what comes out again.

use super::{array, file, number, text};
use crate::store::ResultReader;

/// The first difference between the outputs of two files, the first of which was written before.
fn difference(was: impl FnOnce(&hdf5::Group), is: impl FnOnce(&hdf5::Group)) -> Option<String> {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, fill: &mut dyn FnMut(&hdf5::Group)| {
        let path = file(folder.path(), name, |f| {
            let group = f.create_group("film").unwrap();
            fill(&group.create_group("answer").unwrap());
        });
        ResultReader::open(&path).unwrap()
    };
    let (mut was, mut is) = (Some(was), Some(is));
    let was = write("was.h5", &mut |group| was.take().unwrap()(group));
    let is = write("is.h5", &mut |group| is.take().unwrap()(group));
    let at = ("film", "answer");
    let spot = was.difference(at, &is, at, 2).unwrap();
    spot.map(|spot| spot.message)
}

/// An output with one column and some attributes of it.
fn column(attributes: &[(&str, &str)]) -> impl FnOnce(&hdf5::Group) {
    move |group| {
        text(group, "signal", "value");
        let dataset = array(group, "value", &[2], &[1.0, f64::NAN]);
        number(&dataset, "coverage", f64::NAN);
        for (name, value) in attributes {
            text(&dataset, name, value);
        }
    }
}

/// What a newer program writes beside it, and how it calls a unit, does not make an older file differ.
#[test]
fn what_only_comes_out_now_is_no_difference() {
    let plain = || column(&[("units", "sr")]);
    assert_eq!(difference(plain(), plain()), None);
    let more = column(&[("units", "rad^2"), ("phase_convention", "as stated")]);
    assert_eq!(difference(plain(), more), None);
}

#[test]
fn attributes_that_changed_or_are_gone_are_named() {
    let plain = || column(&[("units", "V")]);
    let told = |is: &[(&str, &str)]| difference(plain(), column(is));
    let expected = "the attribute units of value is another than comes out";
    assert_eq!(told(&[("units", "mV")]).as_deref(), Some(expected));
    assert_eq!(told(&[]).as_deref(), Some(expected));
    let other = |group: &hdf5::Group| {
        text(group, "signal", "other");
        let dataset = array(group, "value", &[2], &[1.0, f64::NAN]);
        number(&dataset, "coverage", f64::NAN);
        text(&dataset, "units", "V");
    };
    assert_eq!(
        difference(plain(), other).as_deref(),
        Some("the attribute signal is another than comes out")
    );
}
