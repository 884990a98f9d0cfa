//! A plugin's own samples: machine bytes with the observations that they must give.

use std::collections::BTreeMap;
use std::fmt;

use tallyseal_schema::observation::Located;
use tallyseal_schema::plugin_files::{Files, digest};

use crate::attempt::try_capture;
use crate::engine_version;
use crate::plugin::Plugin;
use crate::rule::Outcome;
use crate::session::replay;

const CAPTURE: &str = ".capture";
const EXPECTED: &str = ".expected.jsonl";

/// What a check of a plugin found, for the person who approves it. `Display` is the report in words.
#[derive(Debug, Clone)]
pub struct Report {
    /// The digest of the files that were checked; absent where they have none.
    pub digest: Option<tallyseal_schema::Hash>,
    /// The plugin; absent where it cannot be loaded.
    pub plugin: Option<Plugin>,
    /// Each sample, in order of name.
    pub samples: Vec<SampleReport>,
    /// How many sample frames each rule's pattern matched, in the order of the rules.
    pub rule_hits: Vec<usize>,
    /// Everything that is wrong, in sentences. Empty: the plugin passed.
    pub faults: Vec<String>,
}

/// What one sample gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SampleReport {
    /// Its capture's path.
    pub path: String,
    /// Bytes in it.
    pub bytes: usize,
    /// Frames in it.
    pub frames: usize,
    /// Observations of each name.
    pub seen: BTreeMap<&'static str, usize>,
    /// Frames that a rule says to ignore.
    pub ignored: usize,
    /// True where it gave exactly what was expected.
    pub passed: bool,
}

impl Report {
    /// True where the plugin loads, has a sample, every sample gives what it must, and every rule was used.
    pub fn passed(&self) -> bool {
        self.faults.is_empty()
    }
}

/// Loads the plugin from its files and runs its samples. Needs nothing but the files.
pub fn check_samples(files: &Files) -> Report {
    let mut report = Report {
        digest: digest(files).ok(),
        plugin: None,
        samples: Vec::new(),
        rule_hits: Vec::new(),
        faults: Vec::new(),
    };
    let plugin = match Plugin::load(files) {
        Ok(plugin) => plugin,
        Err(error) => {
            report.faults.push(error.to_string());
            return report;
        }
    };
    report.rule_hits = vec![0; plugin.program.rules.len()];
    for (path, contents) in files {
        if let Some(stem) = path.strip_suffix(CAPTURE) {
            if !stem.starts_with("samples/") {
                report.faults.push(format!("{path} is not in the folder samples"));
            }
            report.run(&plugin, path, contents, files.get(&format!("{stem}{EXPECTED}")));
        } else if let Some(stem) = path.strip_suffix(EXPECTED)
            && !files.contains_key(&format!("{stem}{CAPTURE}"))
        {
            report.faults.push(format!("{path} has no {stem}{CAPTURE} beside it"));
        }
    }
    if report.samples.is_empty() {
        report.faults.push("there is no sample: samples/NAME.capture with samples/NAME.expected.jsonl".to_owned());
    } else {
        for (rule, hits) in plugin.program.rules.iter().zip(&report.rule_hits) {
            if *hits == 0 {
                let rule = rule.number;
                report.faults.push(format!("rule {rule} never matched: no sample shows what it is for"));
            }
        }
    }
    report.plugin = Some(plugin);
    report
}

impl Report {
    fn run(&mut self, plugin: &Plugin, path: &str, capture: &[u8], expected: Option<&Vec<u8>>) {
        let mut sample = SampleReport {
            path: path.to_owned(),
            bytes: capture.len(),
            frames: 0,
            seen: BTreeMap::new(),
            ignored: 0,
            passed: true,
        };
        for tried in try_capture(plugin, capture) {
            sample.frames += 1;
            if let Some(hits) = tried.rule.and_then(|rule| self.rule_hits.get_mut(rule - 1)) {
                *hits += 1;
            }
            match tried.outcome {
                Outcome::Seen(seen) => *sample.seen.entry(seen.name()).or_default() += 1,
                Outcome::Ignored => sample.ignored += 1,
                Outcome::Unreadable(_) => *sample.seen.entry("unreadable").or_default() += 1,
            }
        }
        let compared = match expected {
            None => Err(format!("it has no {}{EXPECTED} beside it", path.strip_suffix(CAPTURE).unwrap_or(path))),
            Some(expected) => compare(&replay(plugin, capture, &[]), expected),
        };
        if let Err(what) = compared {
            sample.passed = false;
            self.faults.push(format!("{path}: {what}"));
        }
        self.samples.push(sample);
    }
}

/// Compares what was seen with the lines of an `expected.jsonl`, and tells of the first difference.
fn compare(seen: &[Located], expected: &[u8]) -> Result<(), String> {
    let mut lines: Vec<&[u8]> = expected.split(|byte| *byte == b'\n').collect();
    // The last line ends with a newline too, so an empty piece is left over.
    match lines.pop() {
        Some([]) => {}
        _ => return Err("its last expected line does not end with a newline".to_owned()),
    }
    for (at, line) in lines.iter().enumerate() {
        let number = at + 1;
        let shown = || String::from_utf8_lossy(line);
        let wanted: Located = serde_json::from_slice(line)
            .map_err(|error| format!("line {number} of what is expected is not an observation: {error}"))?;
        let canonical = canonical(&wanted)?;
        if canonical.as_bytes() != *line {
            return Err(format!("line {number} of what is expected is not canonical; it reads {canonical}"));
        }
        match seen.get(at) {
            None => return Err(format!("line {number} was expected and did not come: {}", shown())),
            Some(got) if *got != wanted => {
                return Err(format!(
                    "line {number} differs\n      expected {}\n      got      {}",
                    shown(),
                    self::canonical(got)?
                ));
            }
            Some(_) => {}
        }
    }
    match seen.get(lines.len()) {
        Some(more) => Err(format!("line {} came and was not expected: {}", lines.len() + 1, canonical(more)?)),
        None => Ok(()),
    }
}

fn canonical(located: &Located) -> Result<String, String> {
    let line = located.line().map_err(|error| error.to_string())?;
    String::from_utf8(line).map_err(|error| error.to_string())
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.plugin {
            None => writeln!(f, "Plugin that cannot be loaded")?,
            Some(plugin) => {
                writeln!(f, "Plugin {} {}: {}", plugin.name(), plugin.version(), plugin.about())?;
                writeln!(f, "  reads    {}", plugin.framing())?;
                let counts = match plugin.counts() {
                    tallyseal_schema::kinds::MachineCounts::Labels => "labels",
                    tallyseal_schema::kinds::MachineCounts::Pitches => "pitches, places where a label should be",
                };
                writeln!(f, "  counts   {counts}")?;
                writeln!(f, "  may say  {}", plugin.emits().join(", "))?;
            }
        }
        if let Some(digest) = &self.digest {
            writeln!(f, "  digest   {digest}")?;
        }
        writeln!(f, "  engine   {}", engine_version())?;
        if let Some(plugin) = &self.plugin {
            writeln!(f, "Rules, the first that matches decides, with the sample frames that each matched")?;
            for (rule, hits) in plugin.rules().zip(&self.rule_hits) {
                let what = rule.emits.unwrap_or("(ignore)");
                writeln!(f, "  {:>2}  {what:<13} {hits:>5}  {}", rule.number, rule.about.as_deref().unwrap_or(""))?;
            }
            writeln!(f, "Samples")?;
            for sample in &self.samples {
                let verdict = if sample.passed { "pass" } else { "FAIL" };
                write!(f, "  {verdict}  {}: {} bytes, {} frames", sample.path, sample.bytes, sample.frames)?;
                let mut joint = ": ";
                for (name, times) in &sample.seen {
                    write!(f, "{joint}{name} {times}")?;
                    joint = ", ";
                }
                if sample.ignored > 0 {
                    write!(f, "{joint}ignored {}", sample.ignored)?;
                }
                writeln!(f)?;
            }
        }
        if self.passed() {
            return write!(f, "PASSED: every sample gives what it must, and every rule was used.");
        }
        writeln!(f, "FAILED")?;
        for (at, fault) in self.faults.iter().enumerate() {
            if at > 0 {
                writeln!(f)?;
            }
            write!(f, "  - {fault}")?;
        }
        Ok(())
    }
}
