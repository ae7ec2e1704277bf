//! Writing pages and plots: HTML, SVG, PNG and CSV.

use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use phasemill_engine::report::Page;
use phasemill_engine::report::draw::alone;
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb::Database};

/// Dots of a PNG for each unit of the drawing.
const SCALE: f32 = 2.0;

/// What becomes of a file that exists.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Existing {
    /// It stays, and the command has no `--overwrite`.
    Kept,
    /// It stays unless the user says `--overwrite`, which is here or not.
    Replaced(bool),
}

impl Existing {
    /// Refuses a file that exists and stays.
    ///
    /// # Errors
    /// A message that says what to do.
    pub fn allows(self, path: &Path) -> Result<(), String> {
        match self {
            Existing::Replaced(true) => Ok(()),
            _ if !path.exists() => Ok(()),
            Existing::Kept => Err(format!(
                "{}: exists already; choose a name that is free",
                path.display()
            )),
            Existing::Replaced(false) => Err(format!(
                "{}: exists already; choose another name, or allow it to be replaced with `--overwrite`",
                path.display()
            )),
        }
    }
}

/// Writes a file that does not exist yet, or may be replaced.
///
/// # Errors
/// A message that says what to do.
pub fn write(path: &Path, contents: &[u8], existing: Existing) -> Result<(), String> {
    let shown = path.display();
    existing.allows(path)?;
    let mut options = std::fs::OpenOptions::new();
    options.write(true);
    match existing {
        Existing::Replaced(true) => options.create(true).truncate(true),
        _ => options.create_new(true),
    };
    let made = options
        .open(path)
        .and_then(|mut file| file.write_all(contents));
    made.map_err(|error| match error.kind() {
        ErrorKind::IsADirectory => {
            format!("cannot write {shown}: it is a folder; name a file in it")
        }
        ErrorKind::NotFound => {
            format!("cannot write {shown}: its folder is not there; make it first")
        }
        _ => format!("cannot write {shown}: {error}; choose a place where you may write"),
    })
}

/// Makes a folder, which may be there already.
///
/// # Errors
/// A message that says what to do.
pub fn folder(path: &Path) -> Result<(), String> {
    std::fs::create_dir_all(path).map_err(|e| {
        format!(
            "cannot make the folder {}: {e}; choose a place where you may write",
            path.display()
        )
    })
}

/// Writes each plot of a page as SVG, PNG and CSV into a folder; how many there are.
///
/// # Errors
/// A message that says what to do.
pub fn plots(page: &Page, into: &Path, prefix: &str, existing: Existing) -> Result<usize, String> {
    folder(into)?;
    let fonts = fonts();
    let all = page.plots();
    for plot in &all {
        let place =
            |ending: &str| -> PathBuf { into.join(format!("{prefix}{}.{ending}", plot.id)) };
        let drawing = alone(plot);
        write(&place("svg"), drawing.as_bytes(), existing)?;
        write(&place("csv"), plot.csv().as_bytes(), existing)?;
        write(&place("png"), &png(&drawing, &fonts)?, existing)?;
    }
    Ok(all.len())
}

/// The font that drawings are written in, the same on every machine.
fn fonts() -> Arc<Database> {
    let mut fonts = Database::new();
    fonts.load_font_data(dejavu::sans::regular().to_vec());
    fonts.load_font_data(dejavu::sans::bold().to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    Arc::new(fonts)
}

/// A drawing as PNG.
fn png(drawing: &str, fonts: &Arc<Database>) -> Result<Vec<u8>, String> {
    let options = Options {
        fontdb: fonts.clone(),
        font_family: "DejaVu Sans".into(),
        ..Options::default()
    };
    let tree = Tree::from_str(drawing, &options).map_err(|e| format!("cannot draw a plot: {e}"))?;
    let size = tree.size();
    let (width, height) = (
        (size.width() * SCALE).ceil(),
        (size.height() * SCALE).ceil(),
    );
    let mut dots =
        Pixmap::new(width as u32, height as u32).ok_or("cannot draw a plot of no size")?;
    resvg::render(
        &tree,
        Transform::from_scale(SCALE, SCALE),
        &mut dots.as_mut(),
    );
    dots.encode_png()
        .map_err(|e| format!("cannot encode a plot: {e}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The same drawing gives the same bytes, and letters are drawn.
    #[test]
    fn a_png_has_letters() {
        let with = |text: &str| {
            let svg = format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"60\" height=\"20\" viewBox=\"0 0 60 20\" font-family=\"sans-serif\"><text x=\"2\" y=\"15\">{text}</text></svg>"
            );
            png(&svg, &fonts()).unwrap_or_default()
        };
        assert!(with("nA").starts_with(b"\x89PNG"));
        assert_eq!(with("nA"), with("nA"));
        assert_ne!(with("nA"), with("mV"));
        assert_ne!(with("nA"), with(""));
    }
}
