//! The little of Markdown that the methods text uses, as HTML: headings, paragraphs, lists, tables,
//! bold, escapes.

use super::drawing::escaped;

/// HTML of the text; a heading's level goes down by `deeper`.
pub(super) fn to_html(text: &str, deeper: usize) -> String {
    let mut html = String::new();
    let lines: Vec<&str> = text.lines().collect();
    let mut i = 0;
    while i < lines.len() {
        let line = lines[i];
        let run = |belongs: fn(&str) -> bool| lines[i..].iter().take_while(|l| belongs(l)).count();
        if line.is_empty() {
            i += 1;
        } else if line.starts_with('#') {
            let level = line.chars().take_while(|c| *c == '#').count();
            let words = inline(line[level..].trim());
            let level = (level + deeper).min(6);
            html.push_str(&format!("<h{level}>{words}</h{level}>\n"));
            i += 1;
        } else if line.starts_with("- ") {
            let count = run(|l| l.starts_with("- "));
            html.push_str("<ul>\n");
            for item in &lines[i..i + count] {
                html.push_str(&format!("<li>{}</li>\n", inline(&item[2..])));
            }
            html.push_str("</ul>\n");
            i += count;
        } else if line.starts_with('|') {
            let count = run(|l| l.starts_with('|'));
            html.push_str(&table(&lines[i..i + count]));
            i += count;
        } else {
            let count =
                run(|l| !l.is_empty() && !l.starts_with(['#', '|']) && !l.starts_with("- "));
            let words = lines[i..i + count].join(" ");
            html.push_str(&format!("<p>{}</p>\n", inline(&words)));
            i += count;
        }
    }
    html
}

fn table(lines: &[&str]) -> String {
    let cells = |line: &str| -> Vec<String> {
        let inner = line.trim().trim_start_matches('|').trim_end_matches('|');
        let mut cells = vec![String::new()];
        let mut before = ' ';
        for letter in inner.chars() {
            match letter == '|' && before != '\\' {
                true => cells.push(String::new()),
                false => cells.last_mut().expect("never empty").push(letter),
            }
            before = letter;
        }
        cells.iter().map(|c| inline(c.trim())).collect()
    };
    let row = |line: &str, tag: &str| -> String {
        let cells: String = cells(line)
            .iter()
            .map(|c| format!("<{tag}>{c}</{tag}>"))
            .collect();
        format!("<tr>{cells}</tr>\n")
    };
    let head = lines.first().map_or(String::new(), |l| row(l, "th"));
    let body: String = lines.iter().skip(2).map(|l| row(l, "td")).collect();
    format!(
        "<div class=\"scroll\" tabindex=\"0\"><table>\n<thead>{head}</thead>\n<tbody>{body}</tbody></table></div>\n"
    )
}

fn inline(text: &str) -> String {
    let mut html = String::new();
    let mut letters = text.chars().peekable();
    let mut bold = false;
    while let Some(letter) = letters.next() {
        match letter {
            '\\' => {
                let next = letters.next().unwrap_or('\\');
                html.push_str(&escaped(&next.to_string()));
            }
            '*' if letters.peek() == Some(&'*') => {
                letters.next();
                html.push_str(if bold { "</strong>" } else { "<strong>" });
                bold = !bold;
            }
            other => html.push_str(&escaped(&other.to_string())),
        }
    }
    if bold {
        html.push_str("</strong>");
    }
    html
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headings_lists_tables_and_paragraphs_become_html() {
        let text =
            "# One\n\ntwo **bold**\nlines\n\n- a\n- b\n\n| x | y |\n| --- | --- |\n| 1 | a\\|b |\n";
        let html = to_html(text, 1);
        assert!(html.contains("<h2>One</h2>"));
        assert!(html.contains("<p>two <strong>bold</strong> lines</p>"));
        assert!(html.contains("<li>a</li>\n<li>b</li>"));
        assert!(html.contains("<tr><th>x</th><th>y</th></tr>"));
        assert!(html.contains("<td>a|b</td>"));
    }

    #[test]
    fn markup_in_the_text_stays_text() {
        assert_eq!(inline("a \\<b\\> & <c>"), "a &lt;b&gt; &amp; &lt;c&gt;");
    }
}
