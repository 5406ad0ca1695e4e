//! A form: fields that are typed or chosen, one in focus, each with its own error. Pure; drawn elsewhere.

use backwall_units::parse_number;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use std::borrow::Cow;
use tui_input::{Input, InputRequest};

/// Longer input is refused: a stuck key must not fill a report.
const LONGEST: usize = 400;

#[derive(Debug, Clone)]
pub enum FieldKind {
    Text {
        required: bool,
    },
    Number {
        min: f64,
        max: f64,
    },
    /// One of a few words; left and right go through them.
    Choice(Vec<String>),
}

#[derive(Debug, Clone)]
pub struct FormField {
    pub key: &'static str,
    pub label: String,
    pub unit: &'static str,
    /// Why the value matters, one line.
    pub hint: Cow<'static, str>,
    pub kind: FieldKind,
    pub input: Input,
    pub error: Option<String>,
}

impl FormField {
    pub fn text(key: &'static str, label: &str, value: &str, required: bool) -> Self {
        Self::new(key, label, value, FieldKind::Text { required })
    }
    pub fn number(key: &'static str, label: &str, unit: &'static str, value: f64, min: f64, max: f64) -> Self {
        Self { unit, ..Self::new(key, label, &format!("{value}"), FieldKind::Number { min, max }) }
    }
    pub fn choice(key: &'static str, label: &str, value: &str, choices: Vec<String>) -> Self {
        Self::new(key, label, value, FieldKind::Choice(choices))
    }
    pub fn hint(self, hint: impl Into<Cow<'static, str>>) -> Self {
        Self { hint: hint.into(), ..self }
    }
    fn new(key: &'static str, label: &str, value: &str, kind: FieldKind) -> Self {
        Self { key, label: label.to_owned(), unit: "", hint: Cow::Borrowed(""), kind, input: Input::new(value.to_owned()), error: None }
    }

    pub fn value(&self) -> &str {
        self.input.value().trim()
    }

    fn check(&self) -> Option<String> {
        let text = self.value();
        match &self.kind {
            FieldKind::Text { required: true } if text.is_empty() => Some("write something here, or press Esc".to_owned()),
            FieldKind::Text { .. } => None,
            FieldKind::Number { min, max } => match parse_number(text) {
                Ok(number) if (*min..=*max).contains(&number) => None,
                Ok(number) => Some(format!("{number} is not possible: from {min} to {max} {}", self.unit)),
                Err(error) => Some(error.to_string()),
            },
            FieldKind::Choice(choices) if choices.iter().any(|choice| choice == text) => None,
            FieldKind::Choice(choices) => Some(format!("choose one of {}", choices.join(", "))),
        }
    }

    fn turn(&mut self, forward: bool) {
        if let FieldKind::Choice(choices) = &self.kind
            && !choices.is_empty()
        {
            let here = choices.iter().position(|choice| choice == self.input.value()).unwrap_or(0);
            let next = (here + if forward { 1 } else { choices.len() - 1 }) % choices.len();
            self.input = Input::new(choices[next].clone());
        }
    }
}

#[derive(Debug, Clone)]
pub struct Form {
    pub fields: Vec<FormField>,
    pub focus: usize,
}

impl Form {
    pub fn new(fields: Vec<FormField>) -> Self {
        Self { fields, focus: 0 }
    }

    pub fn value(&self, key: &str) -> &str {
        self.fields.iter().find(|field| field.key == key).map_or("", FormField::value)
    }

    /// A number that [`Form::validate`] has passed.
    pub fn number(&self, key: &str) -> Option<f64> {
        parse_number(self.value(key)).ok()
    }

    pub fn on_last(&self) -> bool {
        self.focus + 1 >= self.fields.len()
    }

    pub fn go(&mut self, forward: bool) {
        let count = self.fields.len().max(1);
        self.focus = (self.focus + if forward { 1 } else { count - 1 }) % count;
    }

    /// Puts an error under a field and the focus on it.
    pub fn refuse(&mut self, key: &str, why: impl Into<String>) {
        if let Some(index) = self.fields.iter().position(|field| field.key == key) {
            self.fields[index].error = Some(why.into());
            self.focus = index;
        }
    }

    /// Checks every field; the focus goes to the first that is wrong.
    pub fn validate(&mut self) -> bool {
        for field in &mut self.fields {
            field.error = field.check();
        }
        match self.fields.iter().position(|field| field.error.is_some()) {
            Some(first) => {
                self.focus = first;
                false
            }
            None => true,
        }
    }

    pub fn type_key(&mut self, key: &KeyEvent) {
        let Some(field) = self.fields.get_mut(self.focus) else {
            return;
        };
        if let FieldKind::Choice(_) = field.kind {
            match key.code {
                KeyCode::Right | KeyCode::Char(' ') => field.turn(true),
                KeyCode::Left => field.turn(false),
                _ => {}
            }
            return;
        }
        let control = key.modifiers.contains(KeyModifiers::CONTROL);
        let request = match key.code {
            KeyCode::Char('u') if control => InputRequest::DeleteLine,
            KeyCode::Char('w') if control => InputRequest::DeletePrevWord,
            KeyCode::Char('a') if control => InputRequest::GoToStart,
            KeyCode::Char('e') if control => InputRequest::GoToEnd,
            // AltGr arrives as Ctrl+Alt on Windows and still types a character.
            KeyCode::Char(c) if control == key.modifiers.contains(KeyModifiers::ALT) && !c.is_control() => {
                if field.input.value().chars().count() >= LONGEST {
                    return;
                }
                InputRequest::InsertChar(c)
            }
            KeyCode::Backspace => InputRequest::DeletePrevChar,
            KeyCode::Delete => InputRequest::DeleteNextChar,
            KeyCode::Left => InputRequest::GoToPrevChar,
            KeyCode::Right => InputRequest::GoToNextChar,
            KeyCode::Home => InputRequest::GoToStart,
            KeyCode::End => InputRequest::GoToEnd,
            _ => return,
        };
        field.input.handle(request);
        field.error = None;
    }

    pub fn paste(&mut self, text: &str) {
        if let Some(field) = self.fields.get_mut(self.focus)
            && !matches!(field.kind, FieldKind::Choice(_))
        {
            let room = LONGEST.saturating_sub(field.input.value().chars().count());
            for c in super::text::safe_text(text).chars().take(room) {
                field.input.handle(InputRequest::InsertChar(c));
            }
            field.error = None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn press(form: &mut Form, text: &str) {
        for c in text.chars() {
            form.type_key(&KeyEvent::new(KeyCode::Char(c), KeyModifiers::NONE));
        }
    }

    #[test]
    fn a_number_out_of_its_limits_is_refused_under_its_field() {
        let mut form =
            Form::new(vec![FormField::text("a", "name", "x", true), FormField::number("b", "velocity", "m/s", 5920.0, 500.0, 15000.0)]);
        assert!(form.validate());
        form.go(true);
        press(&mut form, "0");
        assert!(!form.validate());
        assert_eq!(form.focus, 1);
        assert_eq!(form.fields[1].error.as_deref(), Some("59200 is not possible: from 500 to 15000 m/s"));
        form.type_key(&KeyEvent::new(KeyCode::Backspace, KeyModifiers::NONE));
        press(&mut form, ",5");
        assert!(form.validate() && form.number("b") == Some(5920.5));
        press(&mut form, "00");
        assert!(form.validate(), "four digits before a comma part no thousands");
        press(&mut form, "x");
        assert!(!form.validate() && form.fields[1].error.as_ref().unwrap().contains("is not a number"));
    }

    #[test]
    fn choices_turn_and_take_no_letters() {
        let mut form = Form::new(vec![FormField::choice("p", "picker", "leading-edge", vec!["leading-edge".into(), "peak".into()])]);
        press(&mut form, "zz ");
        assert_eq!(form.value("p"), "peak");
        form.type_key(&KeyEvent::new(KeyCode::Left, KeyModifiers::NONE));
        assert_eq!(form.value("p"), "leading-edge");
    }

    #[test]
    fn pasted_text_loses_its_control_characters_and_a_stuck_key_stops() {
        let mut form = Form::new(vec![FormField::text("n", "note", "", true)]);
        form.paste("pit\x1b[2J");
        assert_eq!(form.value("n"), "pit·[2J");
        press(&mut form, &"x".repeat(1000));
        assert_eq!(form.value("n").chars().count(), LONGEST);
    }
}
