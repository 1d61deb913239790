//! What a step says of itself, and how it tells of its progress.

use serde::Serialize;
use serde_json::Value;

/// What a step did, in plain sentences and as data.
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    /// The step.
    pub step: &'static str,
    /// Whether the answer is yes: a calibration within its limit, no drift, a better model.
    pub favorable: bool,
    /// What was found, in plain sentences.
    pub sentences: Vec<String>,
    /// What the user should know before relying on it.
    pub warnings: Vec<String>,
    /// The figures behind the sentences.
    pub result: Value,
}

impl Outcome {
    pub(super) fn new(step: &'static str) -> Self {
        Outcome {
            step,
            favorable: true,
            sentences: Vec::new(),
            warnings: Vec::new(),
            result: Value::Null,
        }
    }

    pub(super) fn say(mut self, sentence: impl Into<String>) -> Self {
        self.sentences.push(sentence.into());
        self
    }

    pub(super) fn warn(mut self, warnings: impl IntoIterator<Item = String>) -> Self {
        self.warnings.extend(warnings);
        self
    }

    pub(super) fn favorable(mut self, favorable: bool) -> Self {
        self.favorable = favorable;
        self
    }

    pub(super) fn result(mut self, result: Value) -> Self {
        self.result = result;
        self
    }
}

/// Where a long step tells how far it is.
pub trait Progress: Sync {
    /// A piece of work begins, of so many units.
    fn start(&self, what: &str, total: u64);
    /// So many units are done.
    fn reach(&self, done: u64);
    /// The piece of work is done.
    fn finish(&self);
}

/// Tells nobody.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn start(&self, _what: &str, _total: u64) {}
    fn reach(&self, _done: u64) {}
    fn finish(&self) {}
}
