//! Chains behind one mixing that are computed together, slab by slab.
//!
//! The samples between two that are kept are cut into windows ([`super::windows`]). Slabs of samples are worked on by
//! themselves, in any order ([`super::slab`]): for each stretch from one kept sample to the next they give what its
//! samples add to every chain's state. What a stretch gets from two slabs is added up. Then the states are followed
//! from kept sample to kept sample, in order, which is cheap ([`super::following`]).

use std::f64::consts::TAU;
use std::sync::Arc;

use num_complex::Complex64;

use super::bank::{Bank, Room};
use super::sections::Sections;
use super::shapes::{Entering, polynomials};
use super::taps::Taps;
use super::windows::Windows;
use crate::flow::harmonic;
use crate::stage::Phases;

/// Samples of a slab. It is part of what decides the last bits of a result.
pub const SLAB: u64 = 1 << 18;

/// Phase of a harmonic of a steady clock in cycles at a sample.
pub type Cycles = Arc<dyn Fn(u64) -> f64 + Send + Sync>;

/// What chains are mixed with.
#[derive(Clone)]
pub enum Mixing {
    /// Nothing.
    None,
    /// A clock known from the plan.
    Steady(Cycles),
    /// The harmonic n/m of a clock that is found in the samples of each point.
    Found(u32, u32),
}

/// What a chain does behind the mixing.
#[derive(Debug)]
pub enum Filter {
    /// A recursive filter.
    Sections(Box<Sections>),
    /// A finite impulse response.
    Taps(Taps),
}

/// One chain.
#[derive(Debug)]
pub struct Chain {
    /// The filter.
    pub filter: Filter,
    /// What the output is multiplied by.
    pub factor: f64,
}

/// Chains that share their source and mixing, and of which the same samples are kept. What one of them gives does
/// not depend on the others.
pub struct Group {
    /// The chains.
    pub chains: Vec<Chain>,
    /// How samples are cut; of the outputs, the first of every stretch is kept.
    pub windows: Windows,
    /// What they are mixed with.
    pub mixing: Mixing,
    /// What the sums of a window are of.
    pub(super) bank: Bank,
    /// By chain: its first shape in the bank.
    pub(super) shapes: Vec<usize>,
    /// By windows behind: what the middle of a window is ahead of the last sample of its stretch.
    relative: Vec<Complex64>,
    /// What the last sample of a stretch is multiplied by, against the first.
    across: Complex64,
}

/// Windows of a stretch whose turns are held.
const HELD: u64 = 1024;

/// What a slab adds to the chains.
#[derive(Debug, Default)]
pub struct Part {
    pub(super) start: u64,
    pub(super) end: u64,
    /// The kept samples that are in the slab, behind what they are multiplied by.
    pub(super) firsts: Vec<(Complex64, f64)>,
    /// By chain: by stretch and state, what is added at the end of the stretch; or by output.
    pub(super) added: Vec<Vec<Complex64>>,
    /// Sum of the samples.
    pub total: f64,
}

/// The turn of a mixed chain, `sin + i·cos` of the phase: it makes a sine of amplitude 1 half of one.
fn turn(cycles: f64) -> Complex64 {
    let (sin, cos) = libm::sincos(TAU * cycles);
    Complex64::new(sin, cos)
}

/// A group at one point, whose clock is known.
#[derive(Clone)]
pub struct Timed<'g> {
    /// The group.
    pub group: &'g Group,
    /// The clock, where it is found in the samples.
    pub phases: Option<Arc<dyn Phases>>,
    /// Place of the first sample in the record that the point was cut from, on which a steady clock goes on.
    pub begins: u64,
}

impl Timed<'_> {
    /// What a sample is multiplied by.
    pub(super) fn turn(&self, sample: u64) -> Complex64 {
        match (&self.group.mixing, &self.phases) {
            (Mixing::Steady(cycles), _) => turn(cycles(self.begins + sample)),
            (Mixing::Found(n, m), Some(phases)) => {
                turn(harmonic(phases.line(sample).phase, *n, *m))
            }
            _ => Complex64::ONE,
        }
    }

    /// What is added in a stretch is multiplied by: with a steady clock its sums are turned to the last sample. `first`
    /// is what its first sample is multiplied by, where that is known.
    pub(super) fn turn_of(&self, first: Option<Complex64>, end: u64) -> Complex64 {
        match (&self.group.mixing, first) {
            (Mixing::Found(..), _) => Complex64::ONE,
            (_, Some(first)) => first * self.group.across,
            (_, None) => self.turn(end - 1),
        }
    }
}

impl Group {
    /// A group of chains behind a mixing, of whose outputs one of `every` is kept.
    pub fn new(chains: Vec<Chain>, every: u64, mixing: Mixing) -> Self {
        let windows = Windows::new(every);
        let entering = || chains.iter().map(|chain| chain.entering());
        let orders = entering().map(|e| e.map_or(0, Entering::orders)).max();
        let mut all = polynomials(windows.places as usize, orders.unwrap_or(0));
        let own = |entering: Option<&Entering>| match entering {
            Some(Entering::Apart(own)) => {
                all.extend(own.iter().flatten().cloned());
                all.len() - 2 * own.len()
            }
            _ => 0,
        };
        let shapes = entering().map(own).collect();
        let middle = |j: u64| mixing.ahead_of_middle(j);
        let steady = matches!(mixing, Mixing::Steady(_));
        let held = 0..windows.count.min(HELD);
        let mut group = Group {
            bank: Bank::new(&all, if steady { Some(&middle) } else { None }),
            relative: Vec::new(),
            across: mixing.ahead(every - 1).conj(),
            chains,
            windows,
            mixing,
            shapes,
        };
        group.relative = held.map(|behind| group.relative(behind)).collect();
        group
    }

    /// What the middle of a window is ahead of the last sample of its stretch.
    pub(super) fn relative(&self, behind: u64) -> Complex64 {
        let places = self.windows.places;
        let found = self.relative.get(behind as usize).copied();
        found.unwrap_or_else(|| {
            self.mixing
                .ahead_of_middle(behind * places + places / 2 - 1)
        })
    }

    /// Room for the windows of a slab.
    pub(super) fn room(&self) -> Room {
        self.bank.room()
    }
}

impl Chain {
    fn entering(&self) -> Option<&Entering> {
        match &self.filter {
            Filter::Sections(sections) => Some(&sections.entering),
            Filter::Taps(_) => None,
        }
    }

    /// Numbers in its state.
    pub(super) fn states(&self) -> usize {
        match &self.filter {
            Filter::Sections(sections) => sections.states(),
            Filter::Taps(_) => 0,
        }
    }
}

impl Mixing {
    /// `exp(2πi·(phase at n - phase at 0))`: what a sample is ahead of one that lies n behind it.
    pub fn ahead(&self, n: u64) -> Complex64 {
        match self {
            Mixing::Steady(cycles) => {
                let (sin, cos) = libm::sincos(TAU * (cycles(n) - cycles(0)));
                Complex64::new(cos, sin)
            }
            _ => Complex64::ONE,
        }
    }

    /// The same for a sample that lies n places and a half before a middle between two samples.
    fn ahead_of_middle(&self, n: u64) -> Complex64 {
        let Mixing::Steady(cycles) = self else {
            return Complex64::ONE;
        };
        // Either half of a step will do, if it is always the same one.
        let step = cycles(1) - cycles(0);
        let (sin, cos) = libm::sincos(TAU * (cycles(n) - cycles(0) + step / 2.0));
        Complex64::new(cos, sin)
    }
}
