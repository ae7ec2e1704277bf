//! A page about one recording's results, for a colleague who never saw the program: what it says, as inert data, and
//! its rendering to one HTML file that needs nothing else.
//!
//! A [`Page`] is made of sections, and these of blocks; plots carry all of their data. [`Subject`] reads what a result
//! file says of one entry, and builds the sections that follow from it; [`samples`] computes again what the
//! recordings alone can show. Whoever assembles a page adds what the engine does not know, such as lines by name.
//!
//! # Size
//!
//! A page keeps at most [`MOST_VALUES`] values of all its plots together, some eleven megabytes. Of a longer trace the
//! smallest and the largest value of every so many samples are kept, and the page says of how many; whatever is drawn
//! is thinned in the same way to the columns of the screen, again at each zoom.

pub mod answer;
mod asked;
mod closing;
mod compared;
pub mod draw;
mod html;
pub mod index;
pub mod plot;
pub mod samples;
mod subject;
mod ticks;

pub use crate::diagnostic::counted;
pub use asked::asked;
pub use closing::{budgets, lineage, methods, quality, troubles};
pub use compared::compared;
pub use html::html;
pub use index::Glance;
pub use subject::{Column, Numbers, Subject, Trouble};

use plot::Plot;

/// Most values that a page keeps in its plots.
pub const MOST_VALUES: usize = 1 << 21;

/// A page.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// Its title.
    pub title: String,
    /// A line below the title.
    pub subtitle: String,
    /// What it says, in order.
    pub sections: Vec<Section>,
}

/// A section.
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    /// Its name in links: letters, digits and hyphens.
    pub id: &'static str,
    /// Its heading.
    pub title: String,
    /// What it says.
    pub blocks: Vec<Block>,
}

/// A part of a section.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// A heading within the section.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// The answer: what it is, the number, and what is said of it.
    Answer {
        /// What is answered.
        name: String,
        /// The number with unit and uncertainty.
        value: String,
        /// Its interval and whatever else there is to say.
        note: String,
    },
    /// Names and what they are.
    Facts(Vec<(String, String)>),
    /// Items.
    List(Vec<String>),
    /// Something to watch: a word for what it is, and the text.
    Notice(Notice, String),
    /// A table.
    Table(Table),
    /// A plot.
    Plot(Box<Plot>),
    /// A drawing (SVG) that is made already, and what it shows.
    Drawing {
        /// The drawing.
        svg: String,
        /// What it shows.
        about: String,
    },
    /// A text as it is, with its line ends.
    Verbatim(String),
    /// What is out of sight, and not printed, until it is opened.
    More(String, Vec<Block>),
}

/// How much a notice matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Notice {
    /// Something failed.
    Failed,
    /// A warning.
    Warning,
    /// To be known.
    Note,
}

impl Notice {
    /// The word before the text.
    pub fn word(self) -> &'static str {
        match self {
            Notice::Failed => "Failed",
            Notice::Warning => "Warning",
            Notice::Note => "Note",
        }
    }
}

/// A table.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Table {
    /// What it shows.
    pub caption: String,
    /// The heads of its columns.
    pub head: Vec<String>,
    /// Its rows; the first cell of each is its head. A cell is a link where it says so.
    pub rows: Vec<Vec<Cell>>,
}

/// A cell of a table.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// A text.
    Text(String),
    /// A number, which is set flush right.
    Number(String),
    /// A part of a whole, drawn as a bar beside its number.
    Share(f64),
    /// A link to another page beside this one.
    Link {
        /// Where to.
        to: String,
        /// What is shown.
        text: String,
    },
    /// A small drawing (SVG).
    Drawing(String),
}

impl Table {
    /// A table of texts.
    pub fn of_texts(caption: &str, head: &[&str], rows: Vec<Vec<String>>) -> Self {
        let cells = |row: Vec<String>| row.into_iter().map(Cell::Text).collect();
        Table {
            caption: caption.into(),
            head: head.iter().map(|h| (*h).into()).collect(),
            rows: rows.into_iter().map(cells).collect(),
        }
    }
}

impl Section {
    /// A section.
    pub fn new(id: &'static str, title: &str, blocks: Vec<Block>) -> Self {
        Section {
            id,
            title: title.into(),
            blocks,
        }
    }

    /// Its plots, those out of sight too.
    pub fn plots(&self) -> Vec<&Plot> {
        fn of<'b>(blocks: &'b [Block], all: &mut Vec<&'b Plot>) {
            for block in blocks {
                match block {
                    Block::Plot(plot) => all.push(plot),
                    Block::More(_, blocks) => of(blocks, all),
                    _ => {}
                }
            }
        }
        let mut all = Vec::new();
        of(&self.blocks, &mut all);
        all
    }
}

impl Page {
    /// Gives every plot a name of its own, and leaves out those that would make the page too large.
    pub fn settle(&mut self) {
        let mut settled = Settled::default();
        self.sections
            .iter_mut()
            .for_each(|s| settled.settle(&mut s.blocks));
    }

    /// All plots, in order.
    pub fn plots(&self) -> Vec<&Plot> {
        self.sections.iter().flat_map(Section::plots).collect()
    }
}

/// What was settled so far.
#[derive(Default)]
struct Settled {
    taken: Vec<String>,
    numbers: usize,
}

impl Settled {
    fn settle(&mut self, blocks: &mut [Block]) {
        for block in blocks {
            match block {
                Block::Plot(plot) if self.numbers + plot.numbers() > MOST_VALUES => {
                    *block = Block::Notice(
                        Notice::Note,
                        format!(
                            "{} is left out, for its {} numbers would make this page too large; the result file holds them",
                            plot.title,
                            plot.numbers()
                        ),
                    );
                }
                Block::Plot(plot) => {
                    self.numbers += plot.numbers();
                    plot.id = self.free(&plot.id);
                }
                Block::More(_, within) => self.settle(within),
                _ => {}
            }
        }
    }

    /// A name that no other plot has.
    fn free(&mut self, wanted: &str) -> String {
        let plain = if wanted.is_empty() { "plot" } else { wanted }.to_owned();
        let numbered = (2..).map(|k| format!("{plain}-{k}"));
        let mut names = std::iter::once(plain.clone()).chain(numbered);
        let free = names.find(|n| !self.taken.contains(n)).unwrap_or(plain);
        self.taken.push(free.clone());
        free
    }
}

/// A name as a part of a file name or of a link: letters, digits and hyphens.
pub fn slug(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars() {
        match c {
            c if c.is_ascii_alphanumeric() => out.push(c.to_ascii_lowercase()),
            _ if out.ends_with('-') => {}
            _ => out.push('-'),
        }
    }
    out.trim_matches('-').to_owned()
}

#[cfg(test)]
mod tests {
    use super::plot::{Axis, Places, Series};
    use super::*;

    fn plot(values: usize) -> Block {
        let even = Places::Even {
            start: 0.0,
            step: 1.0,
        };
        Block::Plot(Box::new(Plot {
            id: slug("a plot"),
            title: "plot".into(),
            about: String::new(),
            x: Axis::default(),
            y: Axis::default(),
            series: vec![Series::line("x", even, vec![0.0; values])],
            marks: Vec::new(),
            view: None,
        }))
    }

    #[test]
    fn plots_have_names_of_their_own_and_a_page_its_limit() {
        let blocks = vec![
            plot(10),
            Block::More("more".into(), vec![plot(10)]),
            plot(MOST_VALUES),
            plot(1),
        ];
        let mut page = Page {
            title: String::new(),
            subtitle: String::new(),
            sections: vec![Section::new("one", "one", blocks)],
        };
        page.settle();
        let ids: Vec<&str> = page.plots().iter().map(|p| p.id.as_str()).collect();
        assert_eq!(ids, ["a-plot", "a-plot-2", "a-plot-3"]);
        assert!(
            matches!(&page.sections[0].blocks[2], Block::Notice(Notice::Note, text) if text.contains("2097152"))
        );
    }
}
