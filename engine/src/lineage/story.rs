//! The story of one output, or of one point of it, as a tree for a terminal.

use super::public::file_name;
use super::{Entry, Node, Output, Record};
use crate::diagnostic::counted;
use crate::store::{Hash, StoreError};

/// An output that was asked for, and perhaps one point of it.
#[derive(Clone, Copy, Debug)]
pub struct Chosen<'r> {
    /// Its entry.
    pub entry: &'r Entry,
    /// The output.
    pub output: &'r Output,
    /// The point, counted from 0.
    pub point: Option<u64>,
}

/// The point that stands behind a name, as in `[17]`; nothing where there is something else.
fn point_behind(rest: &str) -> Option<Option<u64>> {
    match rest.strip_prefix('[').and_then(|r| r.strip_suffix(']')) {
        Some(digits) => digits.trim().parse().ok().map(Some),
        None => rest.is_empty().then_some(None),
    }
}

/// Whether a text such as `recording:answer[17]` begins with the name of an entry, which may have colons itself.
pub(super) fn names_entry(text: &str, entry: &str) -> bool {
    let rest = text.strip_prefix(entry);
    rest.is_some_and(|rest| rest.starts_with(':'))
}

/// The output, at the point that is asked for, where the text means it.
fn asked<'r>(chosen: Chosen<'r>, text: &str) -> Option<Chosen<'r>> {
    let (entry, output) = (chosen.entry.name.as_str(), chosen.output);
    let own = match names_entry(text, entry) {
        true => text.get(entry.len() + 1..),
        false => None,
    };
    let names = [output.name.as_str(), output.node.as_str()];
    let texts = own
        .into_iter()
        .chain([text.strip_prefix(':').unwrap_or(text)]);
    let point = texts
        .flat_map(|text| names.map(|name| point_behind(text.strip_prefix(name)?)))
        .flatten()
        .next()?;
    Some(Chosen { point, ..chosen })
}

impl Record {
    /// The outputs that a text means, as `answer`, `answer[17]` or `recording:answer[17]`; an output may
    /// also be named by its node. All of them where there is no text.
    ///
    /// # Errors
    /// A message when there is none, or no such point.
    pub fn choose(&self, text: Option<&str>) -> Result<Vec<Chosen<'_>>, String> {
        let all = || {
            let entries = self.lineage.entries.iter();
            entries.flat_map(Entry::everything)
        };
        let Some(text) = text else {
            return Ok(all().collect());
        };
        let chosen: Vec<Chosen<'_>> = all().filter_map(|c| asked(c, text)).collect();
        let point = text.rsplit_once('[').map_or("", |(_, point)| point);
        if chosen.is_empty() && point.ends_with(']') && point_behind(&format!("[{point}")).is_none()
        {
            return Err(format!(
                "expected a point such as `answer[17]`, found `{text}`"
            ));
        }
        if chosen.is_empty() {
            const MOST: usize = 20;
            let names: Vec<String> = all()
                .map(|c| format!("{}:{}", c.entry.name, c.output.name))
                .collect();
            let more = match names.len() {
                0..=MOST => String::new(),
                n => format!(", ... {n} in all"),
            };
            let some = names[..names.len().min(MOST)].join(", ");
            return Err(format!("no output `{text}`; the file holds {some}{more}"));
        }
        let beyond = |c: &&Chosen<'_>| c.point.is_some_and(|point| c.output.points <= point);
        if let Some(short) = chosen.iter().find(beyond)
            && let Some(point) = short.point
        {
            let (name, points) = (&short.output.name, short.output.points);
            return Err(format!(
                "expected a point of `{name}` below {points}, found {point}; points are counted from 0"
            ));
        }
        Ok(chosen)
    }

    /// The story of an output, as a tree: each node under what reads it, down to files and hashes.
    ///
    /// # Errors
    /// When a table of hashes cannot be read.
    pub fn story(&self, chosen: Chosen<'_>) -> Result<String, StoreError> {
        let Chosen {
            entry,
            output,
            point,
        } = chosen;
        let mut text = match point {
            Some(point) => format!("{}[{point}] of {}\n", output.name, output.points),
            None => format!("{}\n", output.name),
        };
        text += &format!("  key     {}\n", output.key);
        match point.filter(|_| self.lineage.version > 1) {
            Some(point) => {
                let content = self.content_of(&entry.name, &output.name, point)?;
                text += &format!("  content {}\n", digits(&content));
            }
            None if output.content.is_empty() => {}
            None => text += &format!("  content {}\n", output.content),
        }
        if let Some(point) = point.or((output.points == 1).then_some(0)) {
            text += &self.number(chosen, point)?;
        }
        let mut teller = Teller {
            record: self,
            chosen,
            told: Vec::new(),
            text,
        };
        teller.tell(&output.node, 0)?;
        let mut text = teller.text;
        for recording in &entry.recordings {
            for file in &recording.files {
                let name = if recording.name.is_empty() {
                    "recording"
                } else {
                    recording.name.as_str()
                };
                let points = counted(file.points, "point");
                text += &format!("{name}: {}, {points}\n", file.path);
            }
        }
        let own = |text: &&String| entry.concerns(text, output, point);
        let checks = entry.checks.iter().map(|c| ("check", &c.message));
        let failures = entry.failures.iter().filter(own).map(|f| ("failed", f));
        let remarks = entry.remarks.iter().filter(own).map(|r| ("remark", r));
        for (what, line) in checks.chain(failures).chain(remarks) {
            text += &format!("{what}: {line}\n");
        }
        Ok(text)
    }
}

impl Entry {
    /// All of its outputs.
    pub fn everything(&self) -> impl Iterator<Item = Chosen<'_>> {
        self.outputs.iter().map(|output| Chosen {
            entry: self,
            output,
            point: None,
        })
    }

    /// The file that a point of a recording is in, and which point of the file it is.
    pub fn file_of(&self, recording: &str, point: u64) -> Option<(&super::RecordedFile, u64)> {
        let recording = self.recordings.iter().find(|r| r.name == recording)?;
        let all: u64 = recording.files.iter().map(|f| f.points).sum();
        // A recording of one point stands beside every point of the others.
        let mut within = if all == 1 { 0 } else { point };
        for file in &recording.files {
            if within < file.points {
                return Some((file, within));
            }
            within -= file.points;
        }
        None
    }
}

/// A hash in hexadecimal digits.
pub(super) fn digits(hash: &Hash) -> String {
    blake3::Hash::from_bytes(*hash).to_hex().to_string()
}

/// Settings as lines. What a choice holds without a name has the path of the choice and follows it: both are one.
fn settings(node: &Node) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut before = "";
    for (path, value) in node.told_settings() {
        match lines.last_mut().filter(|_| path == before) {
            Some(line) => *line += &format!("({value})"),
            None => lines.push(format!("{path} = {value}")),
        }
        before = path;
    }
    lines
}

struct Teller<'r> {
    record: &'r Record,
    chosen: Chosen<'r>,
    told: Vec<&'r str>,
    text: String,
}

impl<'r> Teller<'r> {
    fn tell(&mut self, name: &'r str, depth: usize) -> Result<(), StoreError> {
        let Some(node) = self.chosen.entry.node(name) else {
            return Ok(());
        };
        let pad = "   ".repeat(depth);
        self.text += &format!("{pad}- {name}: {}", node.stage);
        if self.told.contains(&name) {
            self.text += " (as above)\n";
            return Ok(());
        }
        self.told.push(name);
        if node.numeric_version > 0 {
            self.text += &format!(" (kernel version {})", node.numeric_version);
        }
        if self.chosen.entry.from_cache.contains(&node.name) {
            self.text += ", at least in part from the cache";
        }
        let key = node.key.get(..12).unwrap_or(&node.key);
        self.text += &format!("  key {key}\n");
        for flow in &node.flows {
            let port = match flow.port.as_str() {
                "" => String::new(),
                port => format!(".{port}"),
            };
            self.text += &format!("{pad}     gives{port} {}\n", flow.words);
        }
        for line in settings(node) {
            self.text += &format!("{pad}     {line}\n");
        }
        for constant in &node.constants {
            let source = match constant.source.as_str() {
                "" => "no source stated",
                source => source,
            };
            let date = match constant.date.as_str() {
                "" => String::new(),
                date => format!(", {date}"),
            };
            self.text += &format!(
                "{pad}     constant {} = {}, standard uncertainty {}, {source}{date}\n",
                constant.name,
                constant.value,
                constant.told_uncertainty()
            );
        }
        self.samples(node, &pad)?;
        for read in &node.reads {
            self.tell(crate::graph::split(read).0, depth + 1)?;
        }
        Ok(())
    }

    /// Where the samples of an input came from.
    fn samples(&mut self, node: &Node, pad: &str) -> Result<(), StoreError> {
        let Some(input) = &node.input else {
            return Ok(());
        };
        let entry = self.chosen.entry;
        self.text += &format!("{pad}     dataset {}, {}\n", input.dataset, input.stored);
        // What is not stated decides nothing that a reader could look up.
        let stated = |part: &&str| {
            !part.ends_with(" None") && !part.ends_with(" []") && !part.starts_with("cut ")
        };
        let header: Vec<&str> = input.header.split("; ").filter(stated).collect();
        self.text += &format!("{pad}     {}\n", header.join("; "));
        let cut = self.chosen.point.and_then(|p| input.cuts.get(p as usize));
        let (begin, length) = cut.copied().unwrap_or((0, input.length));
        if !input.cuts.is_empty() {
            let how = &input.cut_by;
            self.text += &format!("{pad}     its points were cut from one record, {how}\n");
        }
        let range = match length {
            0 => String::new(),
            length => {
                let first = (self.chosen.output.from * input.rate).ceil() as u64;
                let first = begin + first.min(length - 1);
                format!("samples {first} to {}", begin + length - 1)
            }
        };
        let Some(point) = self.chosen.point else {
            let hashes = self.record.samples(&entry.name, &node.name)?;
            let known = hashes.iter().filter(|h| **h != [0; 32]).count();
            let of = if range.is_empty() {
                "samples".to_owned()
            } else {
                format!("{range} of each point count; those")
            };
            self.text += &format!(
                "{pad}     {of} of {known} of {} points hashed\n",
                hashes.len()
            );
            return Ok(());
        };
        let Some((file, within)) = entry.file_of(&input.recording, point) else {
            return Ok(());
        };
        let index = match input.points {
            1 => 0,
            _ => point,
        };
        let hash = self.record.sample_of(&entry.name, &node.name, index)?;
        self.text += &format!(
            "{pad}     point {within} of {}: {range}{}\n",
            file_name(&file.path),
            if range.is_empty() { "" } else { " count" }
        );
        self.text += &match hash {
            hash if hash == [0; 32] => format!("{pad}     its samples could not be read\n"),
            hash => format!("{pad}     hash of its samples {}\n", digits(&hash)),
        };
        Ok(())
    }
}
