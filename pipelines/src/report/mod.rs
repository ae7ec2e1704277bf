//! A page about one entry of a result file: the engine's sections, and between them what the program knows beside: the
//! drawing of the graph, the response of the chain, spectra with lines by name.

pub mod files;
mod response;
mod spectra;

use std::path::PathBuf;

use phasemill_engine::report::samples::{self, PointTraces, Recordings, wanted};
use phasemill_engine::report::{
    Block, Cell, Glance, Notice, Page, Section, Subject, Table, answer, asked, budgets, compared,
    lineage, methods, quality, troubles,
};
use phasemill_engine::run::Monitor;
use phasemill_engine::store::StoreError;

use crate::graph::{Graph, svg};

/// How a page is to be made.
pub struct Options {
    /// Folders in which recordings are looked for.
    pub folders: Vec<PathBuf>,
    /// Whether what needs recordings is left out.
    pub quick: bool,
    /// Threads; 0 means one per core.
    pub threads: usize,
}

/// Makes the page about an entry, and what is known of it at a glance; `name` is the file of the page.
///
/// # Errors
/// [`StoreError`] when what is on record cannot be read.
pub fn page(
    subject: &Subject<'_>,
    name: &str,
    options: &Options,
    monitor: &Monitor,
) -> Result<(Page, Glance), StoreError> {
    let entry = subject.entry;
    let points = wanted(subject);
    let groups = response::groups(subject);
    let found = Found::look(subject, options, &points, monitor);
    let spectra = match &found {
        Found::Recordings(recordings, traces) => {
            spectra::blocks(subject, recordings, traces, &groups)
        }
        Found::Nothing(why) => why.clone(),
    };
    let (traces, references) = match &found {
        Found::Recordings(_, traces) => (samples::blocks(subject, traces), of_references(traces)),
        Found::Nothing(why) => (why.clone(), Vec::new()),
    };
    let mut sections = vec![
        asked(subject),
        answer::answer(subject),
        graph(subject),
        response::section(&groups),
        Section::new("spectra", "Spectra before and after filtering", spectra),
        Section::new("traces", "Points that matter, sample by sample", traces),
        quality(subject, references),
        troubles(subject),
        budgets(subject, &points)?,
    ];
    sections.extend(compared(subject));
    sections.push(lineage(subject, &points)?);
    sections.push(methods(subject));
    let mut page = Page {
        title: match entry.title.as_str() {
            "" => entry.name.clone(),
            title => title.to_owned(),
        },
        subtitle: format!("Results of the recording {}", entry.name),
        sections,
    };
    page.settle();
    Ok((page, Glance::of(subject, name)))
}

/// What the recordings show; or why they show nothing.
enum Found {
    Recordings(Recordings, Vec<PointTraces>),
    Nothing(Vec<Block>),
}

impl Found {
    fn look(
        subject: &Subject<'_>,
        options: &Options,
        points: &[samples::Wanted],
        monitor: &Monitor,
    ) -> Self {
        let registry = &phasemill_stages::REGISTRY;
        if options.quick {
            let text =
                "Left out, since the page was asked for with `--quick`; it needs the recordings.";
            return Found::Nothing(vec![Block::Text(text.into())]);
        }
        let recordings = match Recordings::find(
            subject,
            registry,
            &options.folders,
            options.threads,
        ) {
            Ok(recordings) => recordings,
            Err(missing) => {
                let notice = |why| Block::Notice(Notice::Note, why);
                let text = "This part is made from the recordings, which were not found when the page was made:";
                let blocks = std::iter::once(Block::Text(text.into()));
                return Found::Nothing(blocks.chain(missing.into_iter().map(notice)).collect());
            }
        };
        match samples::traces(
            subject,
            &recordings,
            points,
            registry,
            options.threads,
            monitor,
        ) {
            Ok(traces) => Found::Recordings(recordings, traces),
            Err(why) => Found::Nothing(vec![Block::Notice(
                Notice::Warning,
                format!("the points could not be computed again: {why}"),
            )]),
        }
    }
}

/// What computing the points again told of the references.
fn of_references(traces: &[PointTraces]) -> Vec<Block> {
    let known: Vec<&PointTraces> = traces.iter().filter(|t| !t.quality.is_empty()).collect();
    let Some(first) = known.first() else {
        return Vec::new();
    };
    let value = |shown: &&PointTraces, name: &str| {
        let own = shown.quality.iter().find(|(n, _)| n == name);
        Cell::Number(own.map_or(String::new(), |(_, value)| value.clone()))
    };
    let row = |(name, _): &(String, String)| {
        let name_cell = std::iter::once(Cell::Text(name.clone()));
        name_cell
            .chain(known.iter().map(|t| value(t, name)))
            .collect()
    };
    let points = known.iter().map(|t| match traces.len() {
        1 => "value".to_owned(),
        _ => format!("point {}", t.wanted.point),
    });
    vec![Block::Table(Table {
        caption:
            "What the reference was found to be, when the points shown above were computed again"
                .into(),
        head: std::iter::once("quantity".to_owned())
            .chain(points)
            .collect(),
        rows: first.quality.iter().map(row).collect(),
    })]
}

/// The drawing of the graph.
fn graph(subject: &Subject<'_>) -> Section {
    let entry = subject.entry;
    let graph = Graph::whole(entry);
    let about = format!(
        "The recipe as a graph, from the channels above (dashed) to the {} kept (bold): each box is a stage with its settings, each arrow what flows between them.",
        match entry.outputs.len() {
            1 => "result".to_owned(),
            n => format!("{n} results"),
        }
    );
    let drawing = Block::Drawing {
        svg: svg(&graph, ""),
        about,
    };
    Section::new("graph", "The recipe as a graph", vec![drawing])
}
