package dataset

// Setting explains a key of phototie.toml.
type Setting struct {
	// Key is the key with its tables; a table in brackets has keys of its own
	// choice. CODE stands for a point's code.
	Key string
	// Default says what holds where the key is left out.
	Default string
	// Help says what the key means, and its unit.
	Help string
}

// Reference explains every key of phototie.toml, in the order of Settings.
var Reference = []Setting{
	{"grid.crs", "none, required", "the projected system of the points, or the base of [site]: EPSG code (EPSG:2157, or EPSG:2157+5731 with its heights), WKT or PROJ string"},

	{"site.name", "site system", "the name of a site system on that base, a plane system of the survey's own"},
	{"site.unit", "the grid's", `the unit of site coordinates: "m", "ft" (international foot) or "ftUS" (US survey foot)`},
	{"site.remarks", "none", "where its parameters are from"},
	{"site.kind", "by the table given; similarity for a fit", `"similarity", "affine" or "ground-scale"`},
	{"site.direction", "required for a given similarity or affine", `"site-to-base" or "base-to-site": which way the parameters lead`},
	{"[site.similarity]", "none", "the parameters: target_origin = {e, n}, scale, rotation_deg"},
	{"[site.affine]", "none", "the parameters a0 to a2 and b0 to b2"},
	{"[site.ground_scale]", "none", "the parameters origin, site_origin, combined_factor, unit_ratio"},
	{"[site.vertical]", "none", "offset; or offset, slope_e, slope_n, origin"},
	{"site.accuracy_m", "from the fit, else none", "accuracy of the site system per axis, which goes into the budget"},
	{"site.height_accuracy_m", "from the fit, else none", "accuracy of its heights"},
	{"site.control", "none", "a file of control pairs to fit the site system to: id, site_e, site_n, base_e, base_n; optional sigma, or site_sigma and base_sigma; site_h, base_h"},
	{"site.columns", "from the header", "the columns of the control file, in order"},
	{"site.separator", "worked out", `between its columns: "," ";" "\t" or "|"`},
	{"site.decimal", "worked out", `its decimal sign: "." or ","`},
	{"site.sigma", "unknown", "standard deviation of a control coordinate that states none, in its own unit"},
	{"site.fit_heights", "none", `fit heights too: "constant" or "plane"`},
	{"site.scale", "fitted", "hold the scale of a similarity (1, or the combined factor), so that a shift and a rotation are fitted"},
	{"site.tolerance_m", "0.05", "the largest residual that is taken of control pairs that state no standard errors"},
	{"site.reject_outliers", "false", "reject outliers among the control pairs, and report them"},

	{"points.file", "none, required", "the points file: delimited text, GeoJSON, LandXML, GPX or GeoPackage, told by its content"},
	{"points.columns", "from the header, or worked out", `the columns in order, for text without a header: ["P", "N", "E", "Z", "D"]; "-" passes one over`},
	{"[points.fields]", "none", `heading or property of your own = column, or "-"`},
	{"points.separator", "worked out", `between columns: "," ";" "\t" "|" or " "`},
	{"points.decimal", "worked out", `the decimal sign: "." or ","`},
	{"points.layer", "the only one", "the layer of a GeoPackage"},
	{"points.crs", "as the file says, else the grid", `the file's system; "grid" overrules the file`},
	{"points.unit", "the grid's", `the unit of E and N: "m", "ft" (international foot) or "ftUS" (US survey foot); converted`},
	{"points.height_unit", "the file's, else as E and N", "the unit of heights; converted"},
	{"points.time_zone", "none", "an IANA name or +01:00, for times without an offset"},
	{"points.date_order", "worked out from all dates", `"day-month" or "month-day", for dates such as 3/4/2026`},
	{"points.epoch", "none", "decimal year of geographic points without a time"},

	{"links.file", "none", "the links file; without it, and without photos listed in the points file, no photo is tied"},
	{"links.columns", "from the header", "its columns in order"},
	{"links.separator", "worked out", "between its columns"},
	{"links.decisions", "none", "the decisions file, which overrules the links: what phototie decide saves, or phototie check --propose writes"},
	{"[links.fields]", "none", `heading of your own = "photo", "point", "original", "to_point", "offset_e", "offset_n", "offset_bearing" or "offset_distance", or "-"`},
	{"links.fill_down", "no point", "what an empty point beside a photo means: that of the row above (true), or none (false)"},
	{"links.only", "false", "pass over the photos that the points file lists"},

	{"photos.folder", `"photos"`, "where the photos are, at any depth"},

	{"frame.datum", "WGS 84", "what a tag is in that states no map datum"},
	{"[frame.datums]", "none", `datum names that images state and phototie does not know: "LOCAL 3" = "EPSG:4230"`},
	{"frame.differential", "WGS 84", "what a tag is in that states corrections by SBAS, a base or a network (GPSDifferential, GPSProcessingMethod), and WGS 84 or no datum"},
	{"frame.epoch", "none", "decimal year, for photos that carry no time"},
	{"frame.allow_ballpark", "false", "judge photos too that only a ballpark operation transforms to the grid"},
	{"frame.ballpark_sigma_m", "none", "the standard deviation per axis that such an operation brings, for the budget"},
	{"frame.operation", "the best one", "the only coordinate operation to be used; phototie frames lists them"},
	{"frame.delivered", "WGS 84", `the frame of corrected tags, which GPSMapDatum then names: "grid" for the grid's own, or a datum`},
	{"frame.delivered_epoch", "each photo's own", "the decimal year that their positions are at: the epoch of the grid's frame for instance"},
	{"frame.forbid", "none", "operations ruled out, by code or a part of the name"},

	{"heights.points", "unknown", `"ellipsoid" or "geoid": what the points' heights count from`},
	{"heights.vertical_crs", "of a compound grid.crs", "the points' vertical system: EPSG:5731 for instance"},
	{"heights.separation_m", "none", "a constant height of the geoid in place of a model"},
	{"heights.separation_accuracy_m", "not stated", "how good that is"},
	{"heights.frame", "the grid's", "the frame of the ellipsoid that heights or the separation count from"},
	{"heights.tags", "unknown", `"ellipsoid" or "geoid": what altitudes of tags count from that don't say so reliably`},
	{"heights.tolerance_m", "15", "how far altitudes of tags may be off, at 95 %; a median beyond it is a finding"},
	{"heights.tag_sea_level", "unknown", `the sea level of tags, "EGM96" for instance`},

	{"ties.field_order", "not known", `what comes first in the field: "point-then-photo" (a photo is linked to the point surveyed last), "photo-then-point" (to the one surveyed next), "id-entered" (the crew enters the point's id) or "linked-later" (links are made in the office)`},
	{"ties.weigh", "true", "weigh links against tags, times, names and the order of the walk"},
	{"ties.infer_untied", "false", "tie photos without a link to the point found"},
	{"ties.threshold", "0.95", "how probable that has to be"},

	{"budget.confidence", "0.95", "the probability that the allowance holds for"},
	{"budget.handheld_m", "4.9", "error radius of the device class, for tags that state none"},
	{"budget.handheld_confidence", "0.5", "the probability that it is the radius of"},
	{"budget.error_confidence", "0.6321", "the probability that GPSHPositioningError is the radius of"},
	{"budget.user_range_error_m", "5.9", "times GPSDOP, for tags that state no error but a DOP, where that is more than the device class; 0 leaves the DOP unused"},
	{"budget.point_sigma_m", "0.02", "the survey's standard deviation per axis, for points that bring none"},
	{"budget.frame_sigma_m", "0", "a standard deviation per axis on top of the operation's accuracy"},
	{"budget.operation_confidence", "0.6827", "how an operation's stated accuracy is read"},
	{"budget.motion_sigma_m", "0", "moving between the fix and the shutter"},
	{"budget.standoff_m", "2", "from how far the points are photographed"},
	{"budget.max_subject_distance_m", "20", "up to which a stated subject distance is used in place of the standoff: in the stated direction, or without one where it is more"},
	{"budget.direction_sigma_deg", "15", "how good a stated direction is"},
	{"budget.gross_level", "0.001", "the probability of calling any photo of a job gross where there is only noise"},
	{"budget.coarse_m", "50", "how large the handheld's own error may be, as a radius at that confidence, for a tag to be judged; half the spacing of the points where that is more; 0 judges all"},
	{"[budget.devices]", "none", `what differs for the tags of a device, by serial number, make and model, or model: [budget.devices."RX7 0042"] with handheld_m, handheld_confidence, error_confidence, user_range_error_m, and datum, the frame that its corrections leave its tags in`},

	{"[accuracy]", "none", "by how many times the errors of a camera's tags are larger than they state, 0.1 to 100: \"QM7-004417\" = 1.7. Cameras go by serial number, else by make and model"},

	{"[photo_requirements]", "none", "what the photos must be as pictures; the table alone asks for the defaults below. Keys stand in [photo_requirements.default], and in [photo_requirements.codes.CODE] where they differ for the points of a code (in any case). A figure below 0 requires nothing"},
	{"photo_requirements.default.min_photos", "none", "photos of each point; copies of one picture count once, and what is too small, blurred or can't be decoded does not count"},
	{"photo_requirements.default.min_long_side_px", "1024", "pixels of the longer side"},
	{"photo_requirements.default.min_short_side_px", "768", "pixels of the shorter side"},
	{"photo_requirements.default.min_quality", "50", "JPEG quality, 1 to 100, by the quantisation tables"},
	{"photo_requirements.default.max_blur_px", "1.7", "spread of edges in pixels, of the photo brought down to 512"},
	{"photo_requirements.default.max_clipped", "0.4", "share of the pixels that are plain black or white"},
	{"photo_requirements.markup_suffixes", "marked, redline and others", "ends of the names of marked-up copies: IMG_0012-marked.jpg"},

	{"label.title", `"{point}"`, "dc:title of the photos that correct --label and pack --label write; {point}, {code} and {description} are the point's. Where one key of this table stands, a key left out writes nothing"},
	{"label.description", `"{point} {code} {description}"`, "dc:description, and ImageDescription in the Exif block where it is ASCII"},
	{"label.keywords", `["{point}", "{code}"]`, "dc:subject: added to the keywords that are there"},

	{"record.title", "the folder's name", "the job's name, at the head of the record; --title comes before it"},
	{"record.client", "none", "who the survey is for. This and what follows stands in the title block of the record as it is written here"},
	{"record.surveyor", "none", "who made it"},
	{"record.reference", "none", "the number of the job or the contract"},
	{"record.dates", "none", "when it was made, in any words"},
	{"record.equipment", "none", "receivers, total stations and cameras"},
	{"record.vertical_reference", "none", "what heights count from, in words"},
	{"record.logo", "none", "a picture beside the title: a file of the job, JPEG, PNG, TIFF or WebP"},
}
