//! Room for kept samples in a result file.

use std::sync::Arc;

use hdf5::Group;

use super::digest::RowHash;
use super::noted::Noted;
use super::values::{label, plot};
use super::write::{Gate, Held, ResultWriter, points_axis};
use super::{Hash, StoreError};
use crate::flow::{Kind, Samples};
use crate::stage::SeriesAxis;
use crate::units::Unit;

/// Most samples in a chunk.
const CHUNK: u64 = 1 << 16;
/// Bytes of chunks that wait to be filled, per dataset.
const WAITING: usize = 16 << 20;

/// Where the kept samples of a flow go; clones write into the same place, from any thread.
#[derive(Clone)]
pub struct SampleSink {
    gate: Arc<Gate>,
    /// One dataset, or two for in-phase and quadrature.
    datasets: Vec<Held>,
    /// Their names.
    columns: &'static [&'static str],
    factor: f64,
    flat: bool,
    points: u64,
    longest: u64,
}

impl ResultWriter {
    /// Makes room for the samples of a flow: `value` for a wave, in `unit`; `in_phase` and
    /// `quadrature` for a phasor; `cycles` for a clock. The shape is `[point, sample]`, or `[sample]`
    /// for one point that lies on no axis. `time` is in seconds from the first sample, and left
    /// out for very many. What is never written is NaN.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    #[allow(
        clippy::too_many_arguments,
        reason = "each says one thing about the one flow kept"
    )]
    pub fn samples(
        &mut self,
        entry: &str,
        name: &str,
        kind: Kind,
        unit: &Unit,
        rate: f64,
        axis: &SeriesAxis,
        points: u64,
        longest: u64,
    ) -> Result<SampleSink, StoreError> {
        let group = self.sample_data(entry, name)?;
        let (columns, unit_text, factor): (&'static [&'static str], _, _) = match kind {
            Kind::Clock => (&["cycles"], "cycle".to_owned(), 1.0),
            kind if kind.is_complex() => {
                (&["in_phase", "quadrature"], unit.ascii(), unit.si_factor())
            }
            _ => (&["value"], unit.ascii(), unit.si_factor()),
        };
        let flat = points == 1 && axis.values.is_empty();
        let datasets = self.attempt(|_| {
            let shape = if flat {
                vec![longest]
            } else {
                vec![points, longest]
            };
            let make = |column: &&str| {
                let dataset = room(&group, column, &shape, false)?;
                dataset.set_text("units", &unit_text)?;
                let what = if *column == "value" {
                    name.to_owned()
                } else {
                    format!("{name} {}", column.replace('_', " "))
                };
                dataset.set_text("long_name", &label(&what, &unit_text))?;
                Ok(dataset.held().clone())
            };
            let datasets = columns.iter().map(make).collect::<hdf5::Result<Vec<_>>>()?;
            let time = if longest <= LONGEST_TIMED {
                "time"
            } else {
                NO_AXIS
            };
            if time != NO_AXIS {
                let dataset = room(&group, time, &[longest], true)?;
                dataset.set_text("units", "s")?;
                let times: Vec<f64> = (0..longest).map(|i| i as f64 / rate).collect();
                dataset.held().write_slice(&times, 0..longest as usize)?;
            }
            group.numbers("sample_rate", &[], &[rate], "Hz")?;
            match flat {
                true => plot(&group, columns[0], &[time])?,
                false => {
                    let taken = [
                        "value",
                        "in_phase",
                        "quadrature",
                        "cycles",
                        "time",
                        "sample_rate",
                    ];
                    let axis = points_axis(&group, axis, points as usize, &taken)?;
                    plot(&group, columns[0], &[&axis, time])?;
                }
            }
            Ok(datasets)
        })?;
        Ok(SampleSink {
            gate: self.gate(),
            datasets,
            columns,
            factor,
            flat,
            points,
            longest,
        })
    }
}

/// Most samples whose times are written out; of more, `sample_rate` tells them.
const LONGEST_TIMED: u64 = 1 << 22;

/// How NeXus says that a dimension has no axis.
const NO_AXIS: &str = ".";

/// A dataset of NaN in chunks that part each row evenly. Samples are not compressed: deflate saves a fifth of such
/// numbers and takes most of the time of writing them. Times are, which leaves almost nothing of them.
fn room(
    group: &Noted<Group>,
    name: &str,
    shape: &[u64],
    compressed: bool,
) -> hdf5::Result<Noted<Held>> {
    let length = shape.last().copied().unwrap_or(0).max(1);
    let mut chunk = vec![1; shape.len()];
    if let Some(chunk) = chunk.last_mut() {
        *chunk = length.div_ceil(length.div_ceil(CHUNK)) as usize;
    }
    let shape: Vec<usize> = shape.iter().map(|&n| n as usize).collect();
    group.filled_later(name, &shape, |group| {
        let builder = group.new_dataset::<f64>().chunk(chunk);
        let builder = builder.chunk_cache(521, WAITING, 1.0);
        let builder = match compressed {
            true => builder.shuffle().deflate(1),
            false => builder,
        };
        builder
            .fill_value(f64::NAN)
            .shape(&*shape)
            .create(name)
            .map(Held::new)
    })
}

impl SampleSink {
    /// A hash for each column of a point, to be kept while it is written.
    pub fn hashes(&self) -> Vec<RowHash> {
        vec![RowHash::default(); self.columns.len()]
    }

    /// The hashes of the columns of a point by name; the rest of the row was never written.
    pub fn rows(&self, hashes: Vec<RowHash>) -> Vec<(&'static str, Hash)> {
        let rows = hashes.into_iter().map(|h| h.finish(self.longest));
        self.columns.iter().copied().zip(rows).collect()
    }

    /// Writes samples of a point, from sample `start` on, and takes them into its hashes.
    ///
    /// # Errors
    /// [`StoreError::Write`], also when there is no room for so many.
    pub fn write(
        &self,
        point: u64,
        start: u64,
        samples: Samples<'_>,
        hashes: &mut [RowHash],
    ) -> Result<(), StoreError> {
        let end = start + samples.len() as u64;
        if point >= self.points || end > self.longest {
            let room = format!(
                "expected point below {} and samples up to {}",
                self.points, self.longest
            );
            return self
                .gate
                .pass(|| Err(format!("{room}, found point {point} and sample {end}").into()));
        }
        let columns: Vec<Vec<f64>> = match samples {
            Samples::Wave(s) => vec![s.iter().map(|v| v / self.factor).collect()],
            Samples::Clock(s) => vec![s.iter().map(|p| p.cycle as f64 + p.fraction).collect()],
            Samples::Phasor(s) => vec![
                s.iter().map(|z| z.re / self.factor).collect(),
                s.iter().map(|z| z.im / self.factor).collect(),
            ],
        };
        for (column, values) in columns.iter().enumerate() {
            self.put(column, point, start, values)?;
            if let Some(hash) = hashes.get_mut(column) {
                hash.take(values);
            }
        }
        Ok(())
    }

    fn put(&self, column: usize, point: u64, start: u64, values: &[f64]) -> Result<(), StoreError> {
        let range = start as usize..start as usize + values.len();
        self.gate.pass(|| {
            let dataset = self
                .datasets
                .get(column)
                .ok_or("expected samples of the kind that there is room for")?;
            match self.flat {
                true => dataset.write_slice(values, range),
                false => dataset.write_slice(values, (point as usize, range)),
            }
        })
    }
}
