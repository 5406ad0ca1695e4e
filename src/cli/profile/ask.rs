//! Questions at the terminal, one line each: for the guided commands.

use crate::session::prove::ProofAsks;
use anyhow::{Result, bail};
use backwall_report::words::shown;
use std::io::{BufRead, Write};

pub fn say(out: &mut impl Write, text: &str) -> Result<()> {
    writeln!(out, "{}", shown(text))?;
    Ok(out.flush()?)
}

/// Asks, and waits for a line.
pub fn ask(input: &mut impl BufRead, out: &mut impl Write, text: &str) -> Result<String> {
    write!(out, "{} ", shown(text))?;
    out.flush()?;
    let mut line = String::new();
    if input.read_line(&mut line)? == 0 {
        bail!("the answers ended before the last question: nothing was kept");
    }
    Ok(line.trim().to_owned())
}

/// Asks whoever sits at the terminal.
pub struct Terminal<'a, I, O> {
    pub input: &'a mut I,
    pub out: &'a mut O,
}

impl<I: BufRead, O: Write> ProofAsks for Terminal<'_, I, O> {
    fn ask(&mut self, question: &str) -> Result<String> {
        ask(self.input, self.out, question)
    }

    fn say(&mut self, words: &str) -> Result<()> {
        say(self.out, words)
    }
}
