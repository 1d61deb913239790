//! What goes to the terminal: plain sentences, a progress bar on a terminal, JSON for scripts.

use boneglow::Error;
use boneglow::steps::{Outcome, Progress};
use indicatif::{ProgressBar, ProgressStyle};
use std::io::{IsTerminal, Write};
use std::sync::{Arc, Mutex};

/// Where a command's words go.
#[derive(Clone)]
pub struct Talk {
    quiet: bool,
    json: bool,
    bar: Arc<Mutex<Option<ProgressBar>>>,
}

impl Talk {
    pub fn new(quiet: bool, json: bool) -> Self {
        Talk {
            quiet,
            json,
            bar: Arc::default(),
        }
    }

    /// A plain sentence, unless the command is quiet or gives JSON.
    pub fn say(&self, sentence: &str) {
        if !self.quiet && !self.json {
            let _ = writeln!(std::io::stdout(), "{sentence}");
        }
    }

    /// What a step did, as sentences or as JSON.
    pub fn outcome(&self, outcome: &Outcome) {
        if self.json {
            if let Ok(text) = serde_json::to_string(outcome) {
                let _ = writeln!(std::io::stdout(), "{text}");
            }
            return;
        }
        for sentence in &outcome.sentences {
            self.say(sentence);
        }
        self.warnings(outcome);
    }

    /// What a step did, on standard error: standard output is a table.
    pub fn aside(&self, outcome: &Outcome) {
        if !self.quiet && !self.json {
            for sentence in &outcome.sentences {
                let _ = writeln!(std::io::stderr(), "{sentence}");
            }
        }
        self.warnings(outcome);
    }

    /// What a step warns of, on standard error.
    fn warnings(&self, outcome: &Outcome) {
        if !self.quiet && !self.json {
            for warning in &outcome.warnings {
                let _ = writeln!(std::io::stderr(), "Note: {warning}");
            }
        }
    }

    /// An error, on standard error.
    pub fn error(&self, error: &Error) {
        let _ = writeln!(std::io::stderr(), "boneglow: {error}");
    }

    fn with_bar(&self, act: impl FnOnce(&ProgressBar)) {
        if let Ok(bar) = self.bar.lock()
            && let Some(bar) = bar.as_ref()
        {
            act(bar);
        }
    }
}

impl Progress for Talk {
    fn start(&self, what: &str, total: u64) {
        if self.quiet || self.json || !std::io::stderr().is_terminal() {
            return;
        }
        let style = ProgressStyle::with_template("{msg} {wide_bar} {percent:>3} % {eta:>4}")
            .unwrap_or_else(|_| ProgressStyle::default_bar());
        let bar = ProgressBar::new(total)
            .with_style(style)
            .with_message(what.to_string());
        if let Ok(mut current) = self.bar.lock() {
            *current = Some(bar);
        }
    }

    fn reach(&self, done: u64) {
        self.with_bar(|bar| bar.set_position(done));
    }

    fn finish(&self) {
        self.with_bar(ProgressBar::finish_and_clear);
    }
}
