//! Questions on a terminal; none are put where nobody is.

use std::io::{BufRead, Write};

use anyhow::{Context, Result, bail};

use crate::setup::{Answers, Question, read_answers};

/// Puts questions, or does not.
pub(super) struct Asker {
    is_there: bool,
    /// What was answered, as lines of TOML with their sections.
    said: Vec<(&'static str, String)>,
}

impl Asker {
    pub(super) fn new(is_there: bool) -> Self {
        Asker { is_there, said: Vec::new() }
    }

    /// Whether somebody is there to answer.
    pub(super) fn is_there(&self) -> bool {
        self.is_there
    }

    /// Puts the questions one after the other; an empty answer leaves one to be assumed, and a wrong one is asked for again.
    pub(super) fn ask(&mut self, questions: &[Question], answers: &mut Answers) -> Result<()> {
        if !self.is_there {
            return Ok(());
        }
        for question in questions {
            if self.is_settled(question) {
                continue;
            }
            loop {
                let words = question.words();
                eprintln!("\n{}", question.asks);
                if !question.hint.is_empty() {
                    eprintln!("  ({})", question.hint);
                }
                if !words.is_empty() {
                    eprintln!("  one of: {}", words.join(", "));
                }
                let Some(answer) = line()? else { break };
                self.said.push((question.section, question.line(&answer)));
                match read_answers(&self.text(), "answer") {
                    Ok(read) => {
                        *answers = read;
                        break;
                    }
                    Err(mistakes) => {
                        self.said.pop();
                        for mistake in mistakes.iter() {
                            eprintln!("  {}; {}; {}", mistake.wrong, mistake.limit, mistake.remedy);
                        }
                    }
                }
            }
        }
        Ok(())
    }

    /// Which of several ports; none if nobody is there.
    pub(super) fn port(&mut self, ports: &[String]) -> Result<Option<String>> {
        if !self.is_there {
            return Ok(None);
        }
        eprintln!("Which serial port is the gauge on?");
        for (number, port) in (1..).zip(ports) {
            eprintln!("  {number}: {port}");
        }
        let Some(answer) = line()? else { bail!("no port was named") };
        let numbered = answer.parse::<usize>().ok().and_then(|number| ports.get(number.checked_sub(1)?));
        let port = numbered.cloned().unwrap_or(answer);
        self.said.push(("gauge", format!("port = {port:?}")));
        Ok(Some(port))
    }

    /// Waits until somebody says that something is done.
    pub(super) fn wait(&self, what: &str) -> Result<()> {
        eprint!("\n{what} then press Enter: ");
        line()?;
        Ok(())
    }

    /// Whether an answer before makes a question idle.
    fn is_settled(&self, question: &Question) -> bool {
        let said = |start: &str| self.said.iter().any(|(_, line)| line.starts_with(start));
        match question.key {
            "looks" => said("weight_kg"),
            "faces" => said("edge = \"even\""),
            _ => false,
        }
    }

    fn text(&self) -> String {
        let mut sections: Vec<&str> = self.said.iter().map(|(section, _)| *section).collect();
        sections.sort_unstable();
        sections.dedup();
        let of = |section: &str| {
            let lines = self.said.iter().filter(|(of, _)| *of == section).map(|(_, line)| format!("{line}\n"));
            format!("[{section}]\n{}", lines.collect::<String>())
        };
        sections.into_iter().map(of).collect()
    }
}

/// A line from standard input; none for an empty one.
fn line() -> Result<Option<String>> {
    eprint!("> ");
    std::io::stderr().flush()?;
    let mut line = String::new();
    let count = std::io::stdin().lock().read_line(&mut line).context("standard input cannot be read")?;
    if count == 0 {
        bail!("standard input ended before every question was put");
    }
    let line = line.trim();
    Ok((!line.is_empty()).then(|| line.to_owned()))
}
