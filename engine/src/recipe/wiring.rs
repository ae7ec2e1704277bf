//! A wiring as written: which datasets play which role in a set-up, and where its points are.

use std::sync::Arc;

use super::{Input, Recipe, expect_name, expect_text, unit};
use crate::constant::Constant;
use crate::diagnostic::{Code, Diagnostic, Diagnostics, Place, SourceText, nearest};
use crate::lineage::stated;
use crate::text::{Name, Piece, Range, Reader, any_quantity};
use crate::units::{Quantity, Unit};

/// Where a value about a channel is found.
#[derive(Clone, Debug, PartialEq)]
pub enum Origin {
    /// Stated in the text: a number in the channel's unit, or a quantity.
    Stated(Box<Constant>),
    /// In an attribute of the dataset, or else of the file's root.
    Attribute(String),
}

/// Where the sample rate is found.
#[derive(Clone, Debug, PartialEq)]
pub enum RateOrigin {
    /// Stated, in Hz.
    Stated(f64),
    /// In an attribute, in Hz.
    Attribute(String),
    /// From a dataset of sample times.
    Times(String),
}

/// How a dataset becomes a channel. What is not stated is looked for in the attributes `sample_rate`,
/// `units`, `scale`, `offset`, `full_scale` and `axis`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Channel {
    /// Path of the dataset; by default the role's name at the root.
    pub dataset: Option<String>,
    /// Sample rate.
    pub rate: Option<RateOrigin>,
    /// Unit of the scaled values.
    pub unit: Option<Unit>,
    /// Units per code.
    pub scale: Option<Origin>,
    /// Value of code zero, in the unit.
    pub offset: Option<Origin>,
    /// Largest absolute scaled value that the converter can give, in the unit.
    pub full_scale: Option<Origin>,
    /// Code that stands for a missing sample.
    pub missing: Option<f64>,
    /// Where the text states it, if it does.
    pub place: Option<Place>,
}

/// Where the sweep axis of a set of points is found.
#[derive(Clone, Debug, PartialEq)]
pub enum Axis {
    /// A dataset with one value per point.
    Dataset(String),
    /// An attribute of each file, which then is one point.
    Attribute(String),
}

/// Where the points of a record are that was made in one go.
#[derive(Clone, Debug, PartialEq)]
pub enum Points {
    /// Where each begins, and where it ends, which by default is where the next one begins.
    Table {
        /// Path of the dataset that says where they begin.
        begin: String,
        /// Path of the dataset that says where they end.
        end: Option<String>,
    },
    /// A point lasts as long as a marker is high.
    Gate(Marker),
    /// A point begins with each pulse of a marker.
    Pulses(Marker),
    /// All last so long, in seconds, and follow one another.
    Every(f64),
}

/// A dataset beside the channels, sample by sample, which says where points are.
#[derive(Clone, Debug, PartialEq)]
pub struct Marker {
    /// Its path.
    pub dataset: String,
    /// Above what it is high.
    pub above: Quantity,
}

/// Which datasets play which role in a set-up.
#[derive(Clone, Debug, Default)]
pub struct Wiring {
    /// Channels by role.
    pub channels: Vec<(Name, Channel)>,
    /// The sweep axis, and where that is stated.
    pub axis: Option<(Axis, Place)>,
    /// Where the points are, if the datasets do not have them apart, and where that is stated.
    pub points: Option<(Points, Place)>,
    /// The text, when there is one.
    pub source: Option<Arc<SourceText>>,
}

impl Points {
    fn read(r: &mut Reader<'_>) -> Option<Self> {
        let doc = "where the points are of a record that was made in one go";
        let chosen = r.setting("points", doc).optional()?.choice(|c| {
            c.variant("Table", "datasets say where", |r| {
                let begin = "dataset of where points begin: times, or samples counted from 0";
                let begin = r.setting("begin", begin).text();
                let end = "dataset of where they end; by default where the next one begins";
                let end = r.setting("end", end).optional().map(|s| s.text());
                Some(Points::Table { begin, end })
            })
            .variant("Gate", "as long as a marker is high", |r| {
                Marker::read(r).map(Points::Gate)
            })
            .variant("Pulses", "from one pulse of a marker to the next", |r| {
                Marker::read(r).map(Points::Pulses)
            })
            .variant("Every", "one after the other, of one length", |r| {
                let length = r.setting("", "length of a point");
                Some(Points::Every(length.quantity("s", Range::Positive)))
            });
        });
        chosen.flatten()
    }
}

impl Points {
    /// Where they are, as a sentence says it.
    pub fn told(&self) -> String {
        match self {
            Points::Table { begin, end: None } => format!("as {begin:?} says where they begin"),
            Points::Table {
                begin,
                end: Some(end),
            } => {
                format!("as {begin:?} and {end:?} say where they begin and end")
            }
            Points::Gate(Marker { dataset, above }) => {
                format!("each as long as {dataset:?} is above {}", above.text)
            }
            Points::Pulses(Marker { dataset, above }) => {
                format!("each from where {dataset:?} rises above {}", above.text)
            }
            Points::Every(seconds) => format!("of {} each", stated(*seconds, "s")),
        }
    }

    /// The datasets that say where they are.
    pub fn datasets(&self) -> impl Iterator<Item = &str> {
        let (one, other) = match self {
            Points::Table { begin, end } => (Some(begin), end.as_ref()),
            Points::Gate(marker) | Points::Pulses(marker) => (Some(&marker.dataset), None),
            Points::Every(_) => (None, None),
        };
        one.into_iter().chain(other).map(String::as_str)
    }

    /// What is said of them, the same however it is written.
    pub fn canonical(&self) -> String {
        let marked = |m: &Marker| {
            let Quantity { value, unit, .. } = &m.above;
            format!("{:?} above {value:?} {}", m.dataset, unit.ascii())
        };
        match self {
            Points::Table { begin, end } => format!("table {begin:?} to {end:?}"),
            Points::Gate(marker) => format!("gate {}", marked(marker)),
            Points::Pulses(marker) => format!("pulses {}", marked(marker)),
            Points::Every(seconds) => format!("every {seconds:?} s"),
        }
    }
}

impl Marker {
    fn read(r: &mut Reader<'_>) -> Option<Self> {
        let dataset = r.setting("dataset", "path of the marker's dataset").text();
        let doc = "above what it is high: a number in its unit, or a quantity";
        let (text, piece) = r.setting("above", doc).text_at()?;
        let above = any_quantity(&piece, &text).map_err(|d| r.report(d)).ok()?;
        let is_part = above.unit.is_dimensionless() && above.unit != Unit::one();
        if above.is_level() || is_part {
            let message = format!("expected a level of the marker, found `{text}`");
            let fault = Diagnostic::error(Code::Unit, Some(piece.place()), message);
            r.report(fault.help("give it in the marker's unit, as in \"2.5 V\", or as a number"));
            return None;
        }
        Some(Marker { dataset, above })
    }
}

impl Channel {
    pub(super) fn read(r: &mut Reader<'_>, piece: &Piece) -> Self {
        let unit = r
            .setting("unit", "unit of the scaled values")
            .optional()
            .and_then(|s| unit(s.text_at()));
        Channel {
            dataset: r
                .setting("dataset", "path of the dataset")
                .optional()
                .map(|s| s.text()),
            rate: r
                .setting("rate", "where the sample rate is found")
                .optional()
                .and_then(|s| {
                    s.choice(|c| {
                        c.variant("Stated", "the rate itself", |r| {
                            RateOrigin::Stated(
                                r.setting("", "sample rate").quantity("Hz", Range::Positive),
                            )
                        })
                        .variant("Attribute", "an attribute, in Hz", |r| {
                            RateOrigin::Attribute(r.setting("", "name of the attribute").text())
                        })
                        .variant(
                            "Times",
                            "a dataset of sample times",
                            |r| RateOrigin::Times(r.setting("", "path of the dataset").text()),
                        );
                    })
                }),
            scale: origin(r, "scale", "units per code"),
            offset: origin(r, "offset", "value of code zero"),
            full_scale: origin(
                r,
                "full_scale",
                "largest absolute value the converter can give",
            ),
            missing: r
                .setting("missing", "code that stands for a missing sample")
                .optional()
                .map(|s| s.number(Range::Any)),
            unit: unit.and_then(|u| u.map_err(|d| r.report(d)).ok()),
            place: Some(piece.place()),
        }
    }
}

fn origin(r: &mut Reader<'_>, name: &'static str, doc: &'static str) -> Option<Origin> {
    r.setting(name, doc).optional().and_then(|s| {
        s.choice(|c| {
            c.variant("Stated", "the value itself", |r| {
                let doc = "a number in the channel's unit, or a quantity";
                Origin::Stated(Box::new(r.setting("", doc).factor()))
            })
            .variant("Attribute", "an attribute, in the channel's unit", |r| {
                Origin::Attribute(r.setting("", "name of the attribute").text())
            });
        })
    })
}
impl Wiring {
    /// Reads a wiring.
    pub fn parse(name: &str, text: &str) -> (Wiring, Diagnostics) {
        let mut diagnostics = Diagnostics::default();
        let source = Arc::new(SourceText {
            name: name.into(),
            text: text.into(),
        });
        let whole = match Piece::whole(source.clone()) {
            Ok(whole) => whole,
            Err(diagnostic) => {
                diagnostics.push(diagnostic);
                return (Wiring::default(), diagnostics);
            }
        };
        let help = "name the recipe first and give a wiring with `--wiring FILE`";
        if !expect_text(&whole, "Wiring", help, &mut diagnostics) {
            return (Wiring::default(), diagnostics);
        }
        let ((entries, axis, points), found) = Reader::read(&whole, &[], |r| {
            let entries = r
                .setting("channels", "channels by role")
                .default("{}")
                .entries();
            let axis = r
                .setting("axis", "where the sweep axis is found")
                .optional()
                .and_then(|s| {
                    s.choice(|c| {
                        c.variant("Dataset", "a dataset with one value per point", |r| {
                            Axis::Dataset(r.setting("", "path of the dataset").text())
                        })
                        .variant(
                            "Attribute",
                            "an attribute of each file, which then is one point",
                            |r| Axis::Attribute(r.setting("", "name of the attribute").text()),
                        );
                    })
                });
            (entries, axis, Points::read(r))
        });
        let place = |name: &str| {
            let mut places = found.places.iter();
            places
                .find(|(path, _)| path == name)
                .map(|(_, place)| place.clone())
        };
        let (axis, points) = (axis.zip(place("axis")), points.zip(place("points")));
        diagnostics.extend(found.diagnostics);
        let channels = entries
            .into_iter()
            .map(|(name, piece)| {
                if !expect_name(&piece, "Channel", &mut diagnostics) && piece.name().is_none() {
                    return (name, Channel::default());
                }
                let (channel, found) = Reader::read(&piece, &[], |r| Channel::read(r, &piece));
                diagnostics.extend(found.diagnostics);
                (name, channel)
            })
            .collect();
        (
            Wiring {
                channels,
                axis,
                points,
                source: Some(source),
            },
            diagnostics,
        )
    }

    /// Warns of a role that may be a slip: the recipe does not have it, but one that is not wired and
    /// spelt alike. Other roles may be for other recipes.
    pub fn check_roles(&self, recipe: &Recipe, diagnostics: &mut Diagnostics) {
        let wired = |role: &str| self.channels.iter().any(|(n, _)| n.text == role);
        let roles = || recipe.inputs.iter().map(|i| i.name.text.as_str());
        for (name, _) in self
            .channels
            .iter()
            .filter(|(n, _)| !roles().any(|r| r == n.text))
        {
            if let Some(meant) = nearest(&name.text, roles().filter(|role| !wired(role))) {
                let message = format!("the recipe has no input `{}`", name.text);
                let place = Some(name.place.clone());
                let warning = Diagnostic::warning(Code::Unused, place, message);
                diagnostics.push(warning.help(format!("did you mean `{meant}`?")));
            }
        }
    }

    /// The channel for an input: what the wiring says, and for what it leaves out, what the recipe says.
    pub fn channel(&self, input: &Input) -> Channel {
        let wired = self
            .channels
            .iter()
            .find(|(n, _)| n.text == input.name.text)
            .map(|(_, c)| c.clone());
        let own = input.channel.clone();
        let wired = wired.unwrap_or_default();
        Channel {
            dataset: wired.dataset.or(own.dataset),
            rate: wired.rate.or(own.rate),
            unit: wired.unit,
            scale: wired.scale.or(own.scale),
            offset: wired.offset.or(own.offset),
            full_scale: wired.full_scale.or(own.full_scale),
            missing: wired.missing.or(own.missing),
            place: wired.place.or(own.place),
        }
    }
}
