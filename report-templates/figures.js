// What is said of a tilt: one list for the numbers beside the picture and the line above each plot.

var record = JSON.parse(document.getElementById("record").textContent);
var tilts = record.tilts;
var checks = {};
record.checks.forEach(function (check) { checks[check.id] = check; });

function given(value) { return value !== null && value !== undefined; }

function fixed(value, decimals) {
  var text = value.toFixed(decimals);
  return (/^-0\.?0*$/.test(text) ? text.slice(1) : text).replace("-", "−");
}

function angle(deg) { return (deg >= 0.05 ? "+" : "") + fixed(deg, 1) + "°"; }

// What the record tells, in the words of the page.
var said = JSON.parse(document.getElementById("said").textContent);
function say(text) { return Object.hasOwn(said, text) ? said[text] : text; }
// A number keeps its unit on its line.
function withUnit(text, unit) { return text + (!unit || unit === "°" ? unit || "" : "\u00a0" + unit); }

// A figure: its name, its text (null where it was not measured) and then the reason.
function figure(name, value, decimals, unit, why) {
  return { name: name, text: given(value) ? withUnit(fixed(value, decimals), unit) : null, why: why };
}

function withError(name, value, error, decimals, unit, why) {
  var one = figure(name, value, decimals, unit, why);
  if (one.text !== null && given(error)) { one.text = withUnit(fixed(value, decimals) + " ± " + fixed(error, decimals), unit); }
  return one;
}

var FIGURES = {
  counts: function (tilt) {
    var c = tilt.counts, all = [figure(w.script.mean_counts, c.mean, 0, "", w.script.no_section)];
    if (given(c.low_percentile)) { all.push({ name: w.script.percentiles, text: fixed(c.low_percentile, 0) + "–" + fixed(c.high_percentile, 0) }); }
    if (given(c.ratio_to_target)) { all.push(figure(w.script.of_target, c.ratio_to_target, 2, "")); }
    if (c.saturated_fraction > 0) { all.push(figure(w.script.saturated, 100 * c.saturated_fraction, 2, "%")); }
    if (c.dark_area_fraction > 0.001) { all.push(figure(w.script.dark, 100 * c.dark_area_fraction, 1, "%")); }
    return all;
  },
  sharpness: function (tilt) {
    var s = tilt.sharpness, all = [figure(w.script.fine_detail, s.relative, 2, "", s.why_not)];
    if (s.directional_loss > 0) { all.push(figure(w.script.lost_by_motion, 100 * s.directional_loss, 0, "%")); }
    if (given(s.blur_direction_deg)) { all.push(figure(w.script.smeared_along, s.blur_direction_deg, 0, "°")); }
    return all;
  },
  spectra: function (tilt) { return [figure(w.script.signal_to, tilt.sharpness.signal_to_nm, 2, "nm", tilt.sharpness.why_not)]; },
  dose: function (tilt) {
    var why = record.measures.dose.why_not || w.script.no_dose;
    return [figure(w.script.dose_before, tilt.dose.before_e_per_A2, 1, "e/Å²", why), figure(w.script.dose_after, tilt.dose.after_e_per_A2, 1, "e/Å²", why)];
  },
  weights: function (tilt) { return [figure(w.script.weight, tilt.dose.weight_at_nyquist, 3, "", record.measures.dose.why_not)]; },
  focus: function (tilt) {
    var f = tilt.focus || {}, why = f.why_not || record.measures.focus.why_not;
    var all = [withError(w.script.underfocus, f.defocus_um, f.error_um, 2, "µm", why)];
    if (given(f.rings_to_nm)) { all.push(figure(w.script.rings_to, f.rings_to_nm, 2, "nm")); }
    return all;
  },
  astigmatism: function (tilt) {
    var f = tilt.focus || {}, why = f.why_not || w.script.no_astigmatism;
    var all = [withError(w.script.astigmatism, f.astigmatism_um, f.astigmatism_error_um, 2, "µm", why)];
    if (given(f.astigmatism_deg)) { all.push(figure(w.script.along, f.astigmatism_deg, 0, "°")); }
    return all;
  },
  positions: function (tilt) {
    var t = tilt.tracking || {}, why = t.why_not || w.script.not_followed;
    var all = [{ name: w.script.field_at, text: given(t.shift_x_px) ? "x " + fixed(t.shift_x_px, 1) + ", y " + fixed(t.shift_y_px, 1) + " px" : null, why: why }];
    if (given(t.step_px)) { all.push(withError(w.script.step, t.step_px, t.step_error_px, 1, "px")); }
    if (given(t.shared_area_fraction)) { all.push(figure(w.script.shared, 100 * t.shared_area_fraction, 0, "%")); }
    return all;
  },
  seams: function (tilt) {
    var seams = tilt.seams || [], worst = null;
    if (!seams.length) { return []; }
    seams.forEach(function (seam) { if (given(seam.residual_rms_px) && (!worst || seam.residual_rms_px > worst.residual_rms_px)) { worst = seam; } });
    var lost = seams.filter(function (seam) { return !given(seam.residual_rms_px); });
    var all = [figure(w.script.worst_seam, worst && worst.residual_rms_px, 2, "px", lost.length ? lost[0].why_not : null)];
    if (worst && lost.length) { all.push({ name: w.script.seams_lost, text: fill(w.script.of, lost.length, seams.length) }); }
    return all;
  }
};
var BESIDE_THE_PICTURE = ["focus", "astigmatism", "counts", "sharpness", "positions", "seams", "dose"];

function shape(grade) {
  var drawn = document.querySelector("#shapes [data-grade='" + grade + "'] svg");
  return drawn ? drawn.cloneNode(true) : document.createTextNode("");
}

var GRADES = { pass: w.script.grade_pass, caution: w.script.grade_caution, fail: w.script.grade_fail, not_measured: w.script.grade_not_measured };
function gradeWord(grade) { return GRADES[grade] || grade; }

// Puts figures into an element, as name and value; what was not measured says why.
function tellFigures(into, figures) {
  figures.forEach(function (one) {
    var box = document.createElement("div"), name = document.createElement("dt"), value = document.createElement("dd");
    name.textContent = one.name;
    value.textContent = one.text === null ? w.script.not_measured + (one.why ? ": " + say(one.why) : "") : one.text;
    if (one.text === null) { box.className = "lacking"; }
    box.appendChild(name);
    box.appendChild(value);
    into.appendChild(box);
  });
}
