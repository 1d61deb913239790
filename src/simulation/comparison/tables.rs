//! A comparison as tables.

use super::RigComparison;

impl RigComparison {
    /// What each option records of each class, one row each: `option,laser_nm,class,samples,
    /// r_signal,g_signal,b_signal,r,g,b,clipped,u_true,v_true,u,v,u_sd,v_sd`.
    pub fn predictions_csv(&self) -> Vec<u8> {
        let mut text = String::from(
            "option,laser_nm,class,samples,r_signal,g_signal,b_signal,r,g,b,clipped,u_true,v_true,u,v,u_sd,v_sd\n",
        );
        for option in &self.options {
            for class in &option.classes {
                let sd = class.covariance.map(|m| [m[0][0].sqrt(), m[1][1].sqrt()]);
                let [r, g, b] = class.signal.map(|v| format!("{v:.6}"));
                let [red, green, blue] = class.codes.map(|v| format!("{v:.2}"));
                text.push_str(&format!(
                    "{},{},{},{},{r},{g},{b},{red},{green},{blue},{},{},{},{}\n",
                    quoted(&option.option),
                    option.laser_nm,
                    quoted(&class.class),
                    class.samples,
                    class.clipped,
                    pair(class.true_uv, 5),
                    pair(class.uv, 5),
                    pair(sd, 6),
                ));
            }
        }
        text.into_bytes()
    }

    /// How far the positive classes lie from the others, one row each: `option,laser_nm,condition,
    /// positive,other,distance_uv,mahalanobis,ideal_auc`.
    pub fn separations_csv(&self) -> Vec<u8> {
        let mut text = String::from(
            "option,laser_nm,condition,positive,other,distance_uv,mahalanobis,ideal_auc\n",
        );
        let cell = |value: Option<f64>, decimals: usize| match value {
            Some(value) => format!("{value:.decimals$}"),
            None => String::new(),
        };
        for option in &self.options {
            for pair in &option.separations {
                text.push_str(&format!(
                    "{},{},{},{},{},{},{},{}\n",
                    quoted(&option.option),
                    option.laser_nm,
                    cell(option.condition, 1),
                    quoted(&pair.positive),
                    quoted(&pair.other),
                    cell(pair.distance_uv, 5),
                    cell(pair.mahalanobis, 3),
                    cell(pair.ideal_auc, 5),
                ));
            }
        }
        text.into_bytes()
    }
}

fn pair(values: Option<[f64; 2]>, decimals: usize) -> String {
    match values {
        Some([a, b]) => format!("{a:.decimals$},{b:.decimals$}"),
        None => ",".to_string(),
    }
}

/// A cell of CSV (RFC 4180).
fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\n']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_string()
    }
}
