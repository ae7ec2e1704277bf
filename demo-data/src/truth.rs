//! The truth beside a recording: what a perfect evaluation would find, as JSON.

use std::fs;
use std::path::Path;

use serde_json::{Map, Value, json};

use crate::{DemoError, NOTE, Settings};

/// Values with units, conventions included.
#[derive(Debug, Clone)]
pub struct Truth {
    head: Map<String, Value>,
    values: Map<String, Value>,
    axis: Option<Value>,
    points: Map<String, Value>,
    faults: Vec<Value>,
}

impl Truth {
    /// The truth of the recording with this title.
    #[must_use]
    pub fn new(title: &str, settings: &Settings) -> Self {
        let mut head = Map::new();
        head.insert("title".into(), title.into());
        head.insert("note".into(), NOTE.into());
        head.insert("seed".into(), settings.seed.into());
        head.insert("noise".into(), settings.noise.into());
        head.insert(
            "conventions".into(),
            json!({
                "signal": "A*sin(2*pi*n*phi + theta) at harmonic n",
                "phase": "phi is whole at a rising edge or rising zero crossing of the reference; theta > 0 when the signal leads",
                "amplitude": "A is the peak amplitude of the fundamental, unless a name says otherwise",
                "complex": "real = A*cos(theta), imaginary = A*sin(theta)",
                "density": "one-sided",
            }),
        );
        Truth {
            head,
            values: Map::new(),
            axis: None,
            points: Map::new(),
            faults: Vec::new(),
        }
    }

    /// One number for the whole recording.
    pub fn value(&mut self, name: &str, unit: &str, value: f64) {
        self.values
            .insert(name.into(), json!({ "value": value, "unit": unit }));
    }

    /// The sweep axis.
    pub fn axis(&mut self, name: &str, unit: &str, values: &[f64]) {
        self.axis = Some(json!({ "name": name, "unit": unit, "values": values }));
    }

    /// One number for each point.
    pub fn series(&mut self, name: &str, unit: &str, values: &[f64]) {
        self.points
            .insert(name.into(), json!({ "unit": unit, "values": values }));
    }

    /// Something that is wrong on purpose with one point.
    pub fn fault(&mut self, point: usize, what: &str) {
        self.faults.push(json!({ "point": point, "what": what }));
    }

    /// Writes it.
    ///
    /// # Errors
    /// [`DemoError::Io`].
    pub fn write(self, path: &Path) -> Result<(), DemoError> {
        let mut all = self.head;
        all.insert("values".into(), self.values.into());
        if let Some(axis) = self.axis {
            all.insert("axis".into(), axis);
            all.insert("points".into(), self.points.into());
            all.insert("faults".into(), self.faults.into());
        }
        let text = format!("{:#}\n", Value::Object(all));
        fs::write(path, text).map_err(|source| DemoError::Io {
            path: path.into(),
            source,
        })
    }
}
