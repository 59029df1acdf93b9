package main

import "html/template"

var pageTemplate = template.Must(template.New("page").Parse(`<!DOCTYPE html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>One photo against one position</title>
<style>
body { max-width: 34rem; margin: 2rem auto; padding: 0 1rem; font: 1rem/1.5 sans-serif; color: #1b1f23; background: #fff; }
label { display: block; margin: .8rem 0; } input { font: inherit; } input[type=text] { width: 14rem; }
button { font: inherit; margin: 1rem .6rem 0 0; padding: .3rem .9rem; }
</style></head>
<body>
<h1>One photo against one position</h1>
<p>The position is on the grid {{.Grid}} ({{.Code}}), in the unit {{.Unit}}. Photos of up to {{.Most}} MiB; none is kept.</p>
<form method="post" enctype="multipart/form-data">
<label>Easting <input type="text" name="e" inputmode="decimal" required></label>
<label>Northing <input type="text" name="n" inputmode="decimal" required></label>
<label>Photo <input type="file" name="photo" required></label>
<button formaction="compare">Compare</button><button formaction="correct">Correct</button>
</form>
<p>A result is no licensed surveyor’s certification. Never navigate or dig by a photo tag.</p>
</body>
</html>
`))
