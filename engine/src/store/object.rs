//! Small things about HDF5 objects: attributes, types, layouts, and the library's errors in words.

use hdf5::datatype::ByteOrder;
use hdf5::filters::Filter;
use hdf5::plist::dataset_create::Layout;
use hdf5::types::{FixedAscii, FixedUnicode, TypeDescriptor, VarLenAscii, VarLenUnicode};
use hdf5::{Container, Dataset, Datatype, Location};

/// Longest fixed-length text that is read, in bytes; what is longer is cut.
const LONGEST_TEXT: usize = 4096;

/// What an attribute or a small dataset holds.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Content {
    /// Numbers of any stored type.
    Numbers(Vec<f64>),
    /// Texts of any stored form.
    Texts(Vec<String>),
    /// Something else, in words.
    Other(String),
}

impl Content {
    /// Reads all of it, whatever the type and shape.
    pub fn of(container: &Container) -> hdf5::Result<Self> {
        let dtype = container.dtype()?;
        let texts = |texts: Vec<String>| Ok(Content::Texts(texts));
        match dtype.to_descriptor() {
            Ok(
                TypeDescriptor::Integer(_) | TypeDescriptor::Unsigned(_) | TypeDescriptor::Float(_),
            ) => Ok(Content::Numbers(container.read_raw::<f64>()?)),
            Ok(TypeDescriptor::Boolean) => {
                let flags = container.read_raw::<bool>()?;
                Ok(Content::Numbers(
                    flags.into_iter().map(|b| f64::from(u8::from(b))).collect(),
                ))
            }
            Ok(TypeDescriptor::VarLenUnicode) => texts(
                container
                    .read_raw::<VarLenUnicode>()?
                    .iter()
                    .map(|t| text(t.as_bytes()))
                    .collect(),
            ),
            Ok(TypeDescriptor::VarLenAscii) => texts(
                container
                    .read_raw::<VarLenAscii>()?
                    .iter()
                    .map(|t| text(t.as_bytes()))
                    .collect(),
            ),
            Ok(TypeDescriptor::FixedUnicode(_)) => {
                let all = container.read_raw::<FixedUnicode<LONGEST_TEXT>>()?;
                texts(all.iter().map(|t| text(t.as_bytes())).collect())
            }
            Ok(TypeDescriptor::FixedAscii(_)) => {
                let all = container.read_raw::<FixedAscii<LONGEST_TEXT>>()?;
                texts(all.iter().map(|t| text(t.as_bytes())).collect())
            }
            _ => Ok(Content::Other(type_name(&dtype))),
        }
    }

    /// As a person reads it.
    pub fn words(&self) -> String {
        const MOST: usize = 16;
        let (items, count): (Vec<String>, usize) = match self {
            Content::Numbers(n) => (n.iter().take(MOST).map(f64::to_string).collect(), n.len()),
            Content::Texts(t) => (t.iter().take(MOST).cloned().collect(), t.len()),
            Content::Other(what) => return format!("({what})"),
        };
        match (items.as_slice(), count) {
            ([], _) => "(empty)".into(),
            ([one], 1) => one.clone(),
            _ if count > MOST => format!("[{}, ... {count} in all]", items.join(", ")),
            _ => format!("[{}]", items.join(", ")),
        }
    }
}

fn text(bytes: &[u8]) -> String {
    trimmed(&String::from_utf8_lossy(bytes)).to_owned()
}

/// A text as a reader gets it, whose form may fill it up with blanks or zeros.
pub(super) fn trimmed(text: &str) -> &str {
    text.trim_end_matches(['\0', ' '])
}

/// The attribute of this name, if the object has it.
pub(super) fn attribute(object: &Location, name: &str) -> hdf5::Result<Option<Content>> {
    match object.attr_names()?.iter().any(|n| n == name) {
        true => Content::of(&*object.attr(name)?).map(Some),
        false => Ok(None),
    }
}

/// The type's name and byte order, as `int16 little-endian`.
pub(super) fn type_name(dtype: &Datatype) -> String {
    let Ok(descriptor) = dtype.to_descriptor() else {
        return format!(
            "a number or structure of {} bytes that has no name here",
            dtype.size()
        );
    };
    let numeric = matches!(
        descriptor,
        TypeDescriptor::Integer(_) | TypeDescriptor::Unsigned(_) | TypeDescriptor::Float(_)
    );
    match dtype.byte_order() {
        ByteOrder::LittleEndian if numeric && dtype.size() > 1 => {
            format!("{descriptor} little-endian")
        }
        ByteOrder::BigEndian if numeric && dtype.size() > 1 => format!("{descriptor} big-endian"),
        _ => descriptor.to_string(),
    }
}

/// Layout and filters, as `chunks 1 x 262144, shuffle, deflate 4`.
pub(super) fn layout(dataset: &Dataset) -> hdf5::Result<String> {
    let plist = dataset.dcpl()?;
    let mut parts = vec![match (plist.get_layout()?, plist.get_chunk()?) {
        (Layout::Chunked, Some(chunk)) => {
            let sizes: Vec<String> = chunk.iter().map(usize::to_string).collect();
            format!("chunks {}", sizes.join(" x "))
        }
        (Layout::Chunked, None) => "chunks".into(),
        (Layout::Compact, _) => "compact".into(),
        (Layout::Contiguous, _) => "contiguous".into(),
        (Layout::Virtual, _) => "virtual".into(),
    }];
    parts.extend(plist.get_filters()?.iter().map(filter_name));
    Ok(parts.join(", "))
}

fn filter_name(filter: &Filter) -> String {
    match filter {
        Filter::Deflate(level) => format!("deflate {level}"),
        Filter::Shuffle => "shuffle".into(),
        Filter::Fletcher32 => "fletcher32".into(),
        Filter::SZip(..) => "szip".into(),
        Filter::NBit => "nbit".into(),
        Filter::ScaleOffset(_) => "scaleoffset".into(),
        Filter::LZF => "lzf".into(),
        // Registered identifiers: HDF5 Group, "Registered Filter Plugins".
        Filter::User(id, _) => match id {
            307 => "bzip2 (307)".into(),
            32001 => "blosc (32001)".into(),
            32004 => "lz4 (32004)".into(),
            32008 => "bitshuffle (32008)".into(),
            32013 => "zfp (32013)".into(),
            32015 => "zstd (32015)".into(),
            32026 => "blosc2 (32026)".into(),
            _ => format!("filter {id}"),
        },
    }
}

/// The first filter of the dataset that cannot be undone here, by name.
pub(super) fn filter_missing(dataset: &Dataset) -> hdf5::Result<Option<String>> {
    let filters = dataset.dcpl()?.get_filters()?;
    Ok(filters
        .iter()
        .find(|f| !f.decode_enabled())
        .map(filter_name))
}

/// The innermost reason that the library gives; of a failed system call only the system's message.
pub(super) fn reason(error: &hdf5::Error) -> String {
    let whole = match error.stack() {
        Some(stack) => stack.last().map_or_else(
            || "the library gives no reason; see whether the disk has room".to_owned(),
            |frame| frame.desc().to_owned(),
        ),
        None => error.to_string(),
    };
    match whole.split_once("error message = '") {
        Some((_, rest)) => rest.split('\'').next().unwrap_or(rest).to_lowercase(),
        None => whole,
    }
}
