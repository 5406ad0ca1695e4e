//! Collects the mistakes of a profile, each with its line and key.

use backwall_survey::job::Problem;
use backwall_survey::job::check::line_of_key;

pub struct ProfileFindings<'a> {
    pub text: &'a str,
    /// Keys that are told already; what follows from them is not told again.
    pub wrong: &'a [String],
    pub problems: &'a mut Vec<Problem>,
}

impl ProfileFindings<'_> {
    pub fn add(&mut self, key: &str, message: impl Into<String>) {
        if !self.wrong.iter().any(|wrong| wrong == key) {
            self.problems.push(Problem { line: line_of_key(self.text, key), key: key.to_owned(), message: message.into() });
        }
    }

    pub fn within(&mut self, key: &str, value: usize, low: usize, high: usize) {
        if value < low || value > high {
            self.add(key, format!("{value} is not possible: it must be between {low} and {high}"));
        }
    }

    pub fn needed<T>(&mut self, key: &str, value: Option<T>, hint: &str) -> Option<T> {
        if value.is_none() {
            self.add(key, format!("is missing: {hint}"));
        }
        value
    }

    pub fn of_no_use<T>(&mut self, key: &str, value: &Option<T>, why: &str) {
        if value.is_some() {
            self.add(key, format!("is of no use {why}: take it out"));
        }
    }

    pub fn hex(&mut self, key: &str, written: Option<&String>) -> Vec<u8> {
        let Some(written) = written else { return Vec::new() };
        let digits: Vec<u8> = written.bytes().filter(|byte| !byte.is_ascii_whitespace()).collect();
        let byte =
            |pair: &[u8]| std::str::from_utf8(pair).ok().filter(|_| pair.len() == 2).and_then(|pair| u8::from_str_radix(pair, 16).ok());
        let bytes: Option<Vec<u8>> = digits.chunks(2).map(byte).collect();
        match bytes {
            Some(bytes) if !bytes.is_empty() => bytes,
            _ => {
                self.add(key, format!("'{written}' is not bytes in hexadecimal: write two digits for each, as \"AA 55\""));
                Vec::new()
            }
        }
    }

    pub fn one_char(&mut self, key: &str, written: Option<&String>) -> Option<char> {
        let written = written?;
        let mut chars = written.chars();
        match (chars.next(), chars.next()) {
            (Some(char), None) if char.is_ascii() => Some(char),
            _ => {
                self.add(key, format!("'{written}' is not possible: it must be one ASCII character"));
                None
            }
        }
    }
}
