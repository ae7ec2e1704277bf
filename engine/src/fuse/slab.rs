//! Samples of one slab on their way into the sums of a group.

use num_complex::Complex64;

use super::bank::{Room, Turned};
use super::group::{Filter, Group, Mixing, Part, Timed};
use super::lanes::Column;
use super::turns::Turns;
use super::windows::Window;

/// A slab that takes samples.
pub struct Slab<'g> {
    group: &'g Group,
    timed: Timed<'g>,
    /// Turns of the samples of a window, where they differ from window to window.
    turns: Option<Box<Turns>>,
    pedestal: f64,
    at: u64,
    /// What the first sample of the stretch is multiplied by, where it is in the slab.
    first: Option<Complex64>,
    window: Window,
    /// The samples of a window that come in several pieces, each in its place; the pedestal where there is none.
    pieces: Vec<f64>,
    room: Room,
    /// By chain: the state at the end of the last window, had it been zero at the start of the stretch or slab.
    states: Vec<Column>,
    /// All samples, the pedestal taken off, where a finite impulse response needs them.
    samples: Option<Vec<f64>>,
    part: Part,
}

impl<'g> Timed<'g> {
    /// Begins a slab at a sample; `pedestal` is taken off every sample.
    pub fn slab(&self, start: u64, pedestal: f64) -> Slab<'g> {
        let group = self.group;
        let places = group.windows.places as usize;
        let is_taps = |chain: &super::group::Chain| matches!(chain.filter, Filter::Taps(_));
        let states = group.chains.iter().map(|c| c.states());
        Slab {
            group,
            timed: self.clone(),
            turns: match group.mixing {
                Mixing::Found(..) => Some(Box::new(Turns::new(places))),
                _ => None,
            },
            pedestal,
            at: start,
            first: None,
            window: group.windows.of(start),
            pieces: vec![pedestal; places],
            room: group.room(),
            states: states.map(Column::zeros).collect(),
            samples: group.chains.iter().any(is_taps).then(Vec::new),
            part: Part {
                start,
                end: start,
                added: vec![Vec::new(); group.chains.len()],
                ..Part::default()
            },
        }
    }
}

impl Slab<'_> {
    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        if let Some(level) = &mut self.samples {
            level.extend(samples.iter().map(|x| x - self.pedestal));
        }
        self.take(samples);
    }

    fn take(&mut self, mut samples: &[f64]) {
        let places = self.pieces.len();
        while let Some(first) = samples.first() {
            if self.group.windows.is_first(self.at, self.window) {
                let turn = self.timed.turn(self.at);
                self.first = Some(turn);
                self.part.firsts.push((turn, first - self.pedestal));
            }
            let rest = (self.window.end - self.at) as usize;
            let (now, later) = samples.split_at(rest.min(samples.len()));
            if now.len() == places {
                self.sum(now);
            } else {
                if self.at == self.window.start || self.at == self.part.start {
                    self.pieces[..places - rest].fill(self.pedestal);
                }
                self.pieces[places - rest..][..now.len()].copy_from_slice(now);
                if now.len() == rest {
                    self.sum_pieces();
                }
            }
            self.at += now.len() as u64;
            if now.len() == rest {
                self.leave();
            }
            samples = later;
        }
    }

    fn sum_pieces(&mut self) {
        let pieces = std::mem::take(&mut self.pieces);
        self.sum(&pieces);
        self.pieces = pieces;
    }

    /// Adds the samples of a window to the chains.
    fn sum(&mut self, samples: &[f64]) {
        let Mixing::Found(n, m) = self.group.mixing else {
            return self.add(samples, &Turned::Evenly);
        };
        let mut turns = self.turns.take().unwrap_or_default();
        if let Some(phases) = &self.timed.phases {
            turns.fill(phases.as_ref(), (n, m), self.window.start, self.window.end);
        }
        self.add(samples, &Turned::Each([&turns.cosines, &turns.sines]));
        self.turns = Some(turns);
    }

    fn add(&mut self, samples: &[f64], turned: &Turned<'_>) {
        let Slab { group, room, .. } = self;
        group.bank.take(samples, self.pedestal, turned, room);
        let relative = group.relative(self.window.behind);
        let chains = group.chains.iter().zip(&group.shapes);
        for ((chain, own), state) in chains.zip(&mut self.states) {
            if let Filter::Sections(sections) = &chain.filter {
                sections.pass(state, &room.moments[*own..], relative);
            }
        }
    }

    /// Leaves a window, and with the last one the stretch.
    fn leave(&mut self) {
        if self.window.behind == 0 {
            self.close();
        }
        self.window = self.group.windows.next(self.window);
    }

    /// Gives what was added in a stretch, at its end.
    fn close(&mut self) {
        let every = self.group.windows.every;
        let end = self.window.start - self.window.start % every + every;
        let turn = self.timed.turn_of(self.first.take(), end);
        for (state, added) in self.states.iter_mut().zip(&mut self.part.added) {
            added.extend(state.iter().map(|w| w * turn));
            state.clear();
        }
    }

    /// What the slab adds.
    pub fn finish(mut self) -> Part {
        let begun = self.at > self.window.start;
        if begun {
            let rest = (self.window.end - self.at) as usize;
            let behind = self.pieces.len() - rest;
            self.pieces[behind..].fill(self.pedestal);
            self.sum_pieces();
        }
        if begun || !self.at.is_multiple_of(self.group.windows.every) {
            let behind = self.window.behind + u64::from(!begun);
            let chains = self.group.chains.iter().zip(&mut self.states);
            for (chain, state) in chains {
                if let Filter::Sections(sections) = &chain.filter {
                    sections.idle(state, behind);
                }
            }
            self.close();
        }
        let samples = self.samples.take().unwrap_or_default();
        for (chain, added) in self.group.chains.iter().zip(&mut self.part.added) {
            if let Filter::Taps(taps) = &chain.filter {
                *added = taps.parts(&samples, self.part.start, self.group.windows.every);
            }
        }
        Part {
            end: self.at,
            total: self.room.plain.across(),
            ..self.part
        }
    }
}
