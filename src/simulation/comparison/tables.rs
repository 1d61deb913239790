//! A comparison as tables.

use super::RigComparison;
use crate::files::to_csv;
use crate::numeric::decimal;

impl RigComparison {
    /// What each option records of each class, one row each: `option,laser_nm,class,samples,
    /// r_signal,g_signal,b_signal,r,g,b,clipped,u_true,v_true,u,v,u_sd,v_sd`.
    pub fn predictions_csv(&self) -> Vec<u8> {
        let header = [
            "option", "laser_nm", "class", "samples", "r_signal", "g_signal", "b_signal", "r", "g",
            "b", "clipped", "u_true", "v_true", "u", "v", "u_sd", "v_sd",
        ];
        let rows = self.options.iter().flat_map(|option| {
            option.classes.iter().map(|class| {
                let sd = class.covariance.map(|m| [m[0][0].sqrt(), m[1][1].sqrt()]);
                let mut row = vec![
                    option.option.clone(),
                    option.laser_nm.to_string(),
                    class.class.clone(),
                    class.samples.to_string(),
                ];
                row.extend(class.signal.map(|v| decimal(v, 6)));
                row.extend(class.codes.map(|v| format!("{v:.2}")));
                row.push(class.clipped.to_string());
                row.extend(pair(class.true_uv, 5));
                row.extend(pair(class.uv, 5));
                row.extend(pair(sd, 6));
                row
            })
        });
        to_csv(header, rows)
    }

    /// How far the positive classes lie from the others, one row each, the best option first:
    /// `rank,option,laser_nm,condition,positive,other,distance_uv,mahalanobis,ideal_auc`.
    pub fn separations_csv(&self) -> Vec<u8> {
        let header = [
            "rank",
            "option",
            "laser_nm",
            "condition",
            "positive",
            "other",
            "distance_uv",
            "mahalanobis",
            "ideal_auc",
        ];
        let rows = self.options.iter().zip(1..).flat_map(|(option, rank)| {
            option.separations.iter().map(move |pair| {
                [
                    rank.to_string(),
                    option.option.clone(),
                    option.laser_nm.to_string(),
                    cell(option.condition, 1),
                    pair.positive.clone(),
                    pair.other.clone(),
                    cell(pair.distance_uv, 5),
                    cell(pair.mahalanobis, 3),
                    cell(pair.ideal_auc, 5),
                ]
            })
        });
        to_csv(header, rows)
    }
}

fn cell(value: Option<f64>, decimals: usize) -> String {
    value.map_or(String::new(), |value| decimal(value, decimals))
}

fn pair(values: Option<[f64; 2]>, decimals: usize) -> [String; 2] {
    [0, 1].map(|i| cell(values.map(|v| v[i]), decimals))
}
