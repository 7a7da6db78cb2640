"""The page's style sheet: readable at a desk, on a phone, in a dark cabin and on paper."""

from __future__ import annotations

from digitise.report.drawing import BAND, BAND_EDGE, FAINT, GRID, INK, PAPER, RULE, SEA

# Colours of figures in the dark; what is drawn is the same. Paper stays white.
_NIGHT = {
    INK: "#e6ecec",
    FAINT: "#b3c0c2",
    SEA: "#7fc4e8",
    GRID: "#33424a",
    RULE: "#7c8b8f",
    BAND: "#4a3714",
    BAND_EDGE: "#e0a94a",
    PAPER: "#19242a",
    "#eef6fa": "#14303f",
    "#dcebf3": "#24566f",
}
_FIGURES = "".join(
    f'figure svg [{what}="{day}"]{{{what}:{night}}}' for day, night in _NIGHT.items() for what in ("fill", "stroke")
)

_DAY = """
:root{--ink:#1d2b33;--faint:#52626b;--line:#dfe6ea;--sea:#0b5d8c;--pale:#f3f7f9;--card:#fff;color-scheme:light}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;scroll-behavior:smooth}
body{margin:0;background:#eef3f5;color:var(--ink);font:16px/1.55 system-ui,-apple-system,'Segoe UI',Roboto,
'Helvetica Neue',Arial,sans-serif;overflow-wrap:anywhere}
header{background:#0b3c55;color:#fff;padding:2.4rem max(1rem,calc(50vw - 33rem)) 1.5rem}
header a,header summary{color:#cfe8f5}
.programme{margin:0;color:#b9d6e4;font-size:.95rem}
h1{margin:.1rem 0 1rem;font-size:2.2rem;line-height:1.15;font-weight:650;letter-spacing:-.01em}
h2{margin:0 0 .7rem;font-size:1.55rem;line-height:1.2;font-weight:650;letter-spacing:-.01em}
h3{margin:2.2rem 0 .4rem;font-size:1.14rem;font-weight:650}
p{margin:.3rem 0 .7rem;max-width:46rem}
.lead{font-size:1.05rem}
.small{color:var(--faint);font-size:.88rem}
.status{margin:0;padding:.65rem .95rem;border-radius:.5rem;border-left:.45rem solid;max-width:none;color:var(--ink)}
.status.open{background:#fdf1d8;border-color:#d08a12}
.status.done{background:#e2f2ea;border-color:#1f7a54}
.contents{margin:1rem 0 0;padding:0;list-style:none;display:flex;flex-wrap:wrap;gap:.3rem 1.5rem;font-size:.95rem}
main{max-width:68rem;margin:0 auto;padding:1.2rem 1rem 1rem}
.part{background:var(--card);border:1px solid var(--line);border-radius:.7rem;padding:1.7rem 1.9rem 1.5rem;
margin:0 0 1.2rem}
.date{font-weight:400;opacity:.75;font-size:.72em;white-space:nowrap}
h1 .date{display:block;white-space:normal;margin:.15rem 0 0;font-size:.55em}
.cards{display:flex;flex-wrap:wrap;gap:.8rem;margin:0 0 1.1rem}
.card{flex:1 1 14rem;background:var(--pale);border-radius:.5rem;padding:.7rem 1rem .75rem;color:var(--faint);
font-size:.86rem;line-height:1.35}
.card span{display:block}
.card b{display:block;color:var(--ink);font-size:1.9rem;line-height:1.2;font-weight:650;letter-spacing:-.01em}
.facts{display:flex;flex-wrap:wrap;gap:.7rem 2rem;margin:0 0 .4rem}
.facts>div{min-width:0;max-width:100%}
.facts dt{color:var(--faint);font-size:.82rem}
.facts dd{margin:0;font-variant-numeric:tabular-nums}
.findings{margin:1.3rem 0 0;padding:.8rem 1rem .4rem;background:#fdf6e7;border-left:.35rem solid #d08a12;
border-radius:.35rem}
.findings h3{margin:0 0 .3rem}
ul{padding-left:1.15rem;margin:.2rem 0 .6rem;max-width:52rem}
li{margin:.2rem 0}
figure{margin:.7rem 0 1.1rem}
figure svg{display:block;height:auto;margin:0 auto}
figcaption{color:var(--faint);font-size:.86rem;line-height:1.4;margin:.5rem 0 0;max-width:46rem}
.narrow{display:none}
.table{overflow-x:auto;background:linear-gradient(90deg,#fff 40%,#fff0),linear-gradient(270deg,#fff 40%,#fff0) 100% 0,
linear-gradient(90deg,#1d2b3322,#0000),linear-gradient(270deg,#1d2b3322,#0000) 100% 0;background-repeat:no-repeat;
background-size:2.5rem 100%,2.5rem 100%,.8rem 100%,.8rem 100%;background-attachment:local,local,scroll,scroll}
.table:focus-visible,a:focus-visible,summary:focus-visible{outline:3px solid #0b5d8c;outline-offset:2px}
header :focus-visible{outline-color:#fff}
table{border-collapse:collapse;width:100%;font-size:.9rem;line-height:1.3;font-variant-numeric:tabular-nums}
.caption{color:var(--faint);font-size:.86rem;line-height:1.4;margin:1rem 0 .3rem;max-width:none}
th,td{padding:.36rem .55rem;text-align:right;vertical-align:baseline;border-bottom:1px solid var(--line)}
th.words,td.words{text-align:left}
thead th{color:var(--faint);font-weight:600;font-size:.82rem;vertical-align:bottom;border-bottom:1.5px solid #9aa8b0}
th[scope=row]{font-weight:400;text-align:left;padding-left:0;overflow-wrap:normal;min-width:10.5rem}
th[scope=rowgroup]{text-align:left;padding-left:0}
th[scope=rowgroup] span{position:sticky;left:0;display:inline-block;max-width:calc(100vw - 4rem);white-space:normal}
th.short{white-space:nowrap}
.many th,.many td{padding:.36rem .4rem;font-size:.94em}
.many th[scope=row]{min-width:7.5rem;padding-left:0}
thead th,td{overflow-wrap:normal}
thead th:first-child{padding-left:0}
td{white-space:nowrap}
tr.group th,tr.group td{font-weight:650}
.not{color:#7a4a00;font-style:italic}
details{margin:.8rem 0 0}
summary{cursor:pointer;color:var(--sea);padding:.2rem 0}
code{font-size:.86em}
.command{white-space:nowrap}
td code{display:block;min-width:17rem;white-space:normal;overflow-wrap:anywhere}
a{color:var(--sea)}
footer{max-width:68rem;margin:0 auto;padding:0 1.2rem 2.5rem;color:var(--faint);font-size:.84rem}
@media (min-width:641px){
.many th.short{white-space:normal}
}
@media (max-width:640px){
body{font-size:15px}
header{padding:1.4rem 1rem 1.1rem}
h1{font-size:1.7rem}
main{padding:.7rem .5rem .5rem}
.part{padding:1.1rem .85rem .9rem;border-radius:.5rem}
.wide{display:none}
.narrow{display:block}
.contents{gap:.5rem 1.2rem}
.contents a{display:inline-block;padding:.15rem 0}
th,td{padding:.36rem .4rem}
th[scope=row]{min-width:7.5rem;position:sticky;left:0;background:var(--card)}
}
@media (prefers-reduced-motion:reduce){html{scroll-behavior:auto}}
@page{size:A4;margin:16mm 15mm 18mm}
@media print{
body{background:#fff;font-size:10pt}
header{background:#fff;color:var(--ink);padding:0 0 .6rem}
h1{font-size:20pt}
.programme{color:var(--faint)}
header nav,footer{display:none}
main{padding:5mm 0 0;max-width:none}
.part{border:0;padding:0;margin:0 0 8mm}
.part.begins{break-before:page}
figure,tr,.findings,.cards{break-inside:avoid}
h2,h3,.caption,h2+p,h3+p{break-after:avoid}
thead th{font-size:7.4pt}
.caption,figcaption,.small{font-size:8pt}
.table{overflow:visible;background:none}
table{font-size:8.2pt}
th,td{padding:.2rem .4rem}
th[scope=row]{min-width:8.5rem}
.wide{display:block}
.narrow{display:none}
figure svg{max-width:100%!important}
}
"""
_DARK = """
@media screen and (prefers-color-scheme:dark){
:root{--ink:#e6ecec;--faint:#b3c0c2;--line:#33424a;--sea:#7fc4e8;--pale:#22313a;--card:#19242a;color-scheme:dark}
body{background:#11191d}
header{background:#0a2b3c}
.status.open{background:#33240f}
.status.done{background:#10302f}
.findings{background:#2c2412}
.table{background:none}
.table:focus-visible,a:focus-visible,summary:focus-visible{outline-color:#7fc4e8}
.not{color:#ffc98a}
"""
STYLE = f"{_DAY}{_DARK}{_FIGURES}\n}}\n"
