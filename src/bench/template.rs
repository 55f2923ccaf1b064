//! `$variables` in texts.

use std::borrow::Cow;

use super::model::Template;

/// What is wrong with a template.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TemplateError {
    /// A dollar that no name follows.
    #[error("`$` begins the name of a variable; write `$$` for a dollar")]
    Dollar,
    /// `${` without its brace.
    #[error("`${{` without `}}`")]
    Brace,
    /// A variable that nothing defines.
    #[error("variable `${0}` is not defined")]
    Undefined(String),
}

/// A piece of a template.
enum Piece<'a> {
    Text(&'a str),
    Variable(&'a str),
}

impl Template {
    /// The text with every variable in its place.
    ///
    /// # Errors
    /// When a variable is not defined or the template is not well formed.
    pub fn expand<'a>(
        &'a self,
        variable: impl Fn(&str) -> Option<&'a str>,
    ) -> Result<Cow<'a, str>, TemplateError> {
        if !self.0.contains('$') {
            return Ok(Cow::Borrowed(&self.0));
        }
        let mut text = String::with_capacity(self.0.len());
        for piece in pieces(&self.0) {
            text.push_str(match piece? {
                Piece::Text(text) => text,
                Piece::Variable(name) => {
                    variable(name).ok_or_else(|| TemplateError::Undefined(name.to_owned()))?
                }
            });
        }
        Ok(Cow::Owned(text))
    }

    /// Whether the template is well formed, whatever is defined.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn check(&self) -> Result<(), TemplateError> {
        pieces(&self.0).try_for_each(|piece| piece.map(|_| ()))
    }
}

/// True for the name of a variable: a letter, then letters, digits, `-` and `_`.
#[must_use]
pub fn is_variable_name(name: &str) -> bool {
    name.starts_with(|c: char| c.is_ascii_alphabetic()) && name.chars().all(in_name)
}

fn in_name(c: char) -> bool {
    c.is_ascii_alphanumeric() || matches!(c, '-' | '_')
}

fn pieces(text: &str) -> impl Iterator<Item = Result<Piece<'_>, TemplateError>> {
    let mut rest = text;
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let piece = next_piece(&mut rest);
        if piece.is_err() {
            rest = "";
        }
        Some(piece)
    })
}

fn next_piece<'a>(rest: &mut &'a str) -> Result<Piece<'a>, TemplateError> {
    let text = *rest;
    let Some(after) = text.strip_prefix('$') else {
        let (plain, tail) = text.split_at(text.find('$').unwrap_or(text.len()));
        *rest = tail;
        return Ok(Piece::Text(plain));
    };
    if let Some(tail) = after.strip_prefix('$') {
        *rest = tail;
        return Ok(Piece::Text("$"));
    }
    let (name, tail) = match after.strip_prefix('{') {
        Some(braced) => braced.split_once('}').ok_or(TemplateError::Brace)?,
        None => after.split_at(after.find(|c| !in_name(c)).unwrap_or(after.len())),
    };
    if !is_variable_name(name) {
        return Err(TemplateError::Dollar);
    }
    *rest = tail;
    Ok(Piece::Variable(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn expand(text: &str) -> Result<String, TemplateError> {
        let template = Template(text.to_owned());
        template
            .expand(|name| match name {
                "data-vlan" => Some("20"),
                "site" => Some("north"),
                _ => None,
            })
            .map(Cow::into_owned)
    }

    #[test]
    fn variables_are_put_in_place() {
        assert_eq!(expand("plain").unwrap(), "plain");
        assert_eq!(expand("$data-vlan").unwrap(), "20");
        assert_eq!(expand("${site}-$data-vlan, $$5").unwrap(), "north-20, $5");
        assert_eq!(expand("${data-vlan}x").unwrap(), "20x");
    }

    #[test]
    fn what_is_wrong_is_said() {
        assert_eq!(
            expand("a $voice-vlan"),
            Err(TemplateError::Undefined("voice-vlan".into()))
        );
        assert_eq!(expand("5 $"), Err(TemplateError::Dollar));
        assert_eq!(expand("$5"), Err(TemplateError::Dollar));
        assert_eq!(expand("${site"), Err(TemplateError::Brace));
        assert_eq!(expand("${}"), Err(TemplateError::Dollar));
        assert_eq!(Template("$nothing-defines-me".into()).check(), Ok(()));
    }
}
