//! Questions at the terminal, one line each: for the guided commands.

use anyhow::{Result, bail};
use backwall_report::words::shown;
use backwall_units::{Length, LengthUnit, parse_length};
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

/// Asks for a length until one is given; `None` where it is left out.
pub fn ask_length(input: &mut impl BufRead, out: &mut impl Write, text: &str) -> Result<Option<Length>> {
    loop {
        let answer = ask(input, out, text)?;
        if answer.is_empty() {
            return Ok(None);
        }
        match parse_length(&answer, LengthUnit::Mm) {
            Ok(length) if length > Length::ZERO => return Ok(Some(length)),
            Ok(_) => say(out, "  it must be more than 0")?,
            Err(error) => say(out, &format!("  {error}"))?,
        }
    }
}
