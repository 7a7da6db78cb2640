"""The results page's style sheet: readable at a desk, on a phone and on paper."""

STYLE = """
:root{--ink:#1d2b33;--faint:#52626b;--line:#dfe6ea;--sea:#0b5d8c;--pale:#f3f7f9;color-scheme:light}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:#eef3f5;color:var(--ink);font:16px/1.5 system-ui,-apple-system,'Segoe UI',Roboto,
'Helvetica Neue',Arial,sans-serif;overflow-wrap:anywhere}
header{background:#0b3c55;color:#fff;padding:2.2rem max(1rem,calc(50vw - 30rem)) 1.6rem}
header a{color:#cfe8f5}
.programme{margin:0;color:#b9d6e4;font-size:.95rem}
h1{margin:.1rem 0 .9rem;font-size:2.1rem;line-height:1.15;font-weight:650;letter-spacing:-.01em}
h2{margin:0 0 .8rem;font-size:1.5rem;line-height:1.2;font-weight:650;letter-spacing:-.01em}
h3{margin:2.2rem 0 .4rem;font-size:1.12rem;font-weight:650}
p{margin:.3rem 0 .7rem;max-width:46rem}
.status{margin:0;padding:.6rem .9rem;border-radius:.5rem;border-left:.45rem solid;max-width:none;color:var(--ink)}
.status.open{background:#fdf1d8;border-color:#d08a12}
.status.done{background:#e2f2ea;border-color:#1f7a54}
.contents{margin:1rem 0 0;padding:0;list-style:none;display:flex;flex-wrap:wrap;gap:.3rem 1.6rem;color:#b9d6e4}
main{max-width:62rem;margin:0 auto;padding:1.2rem 1rem 3rem}
.survey{background:#fff;border:1px solid var(--line);border-radius:.7rem;padding:1.6rem 1.8rem 1.4rem;margin:0 0 1.2rem}
.date{font-weight:400;opacity:.75;font-size:.72em;white-space:nowrap;margin-left:.4em}
.cards{display:flex;flex-wrap:wrap;gap:.8rem;margin:0 0 1.1rem}
.card{flex:1 1 15rem;background:var(--pale);border-radius:.5rem;padding:.7rem 1rem .75rem;color:var(--faint);
font-size:.86rem;line-height:1.35}
.card span{display:block}
.card b{display:block;color:var(--ink);font-size:1.9rem;line-height:1.2;font-weight:650;letter-spacing:-.01em}
.facts{display:flex;flex-wrap:wrap;gap:.7rem 2rem;margin:0}
.facts dt{color:var(--faint);font-size:.82rem}
.facts dd{margin:0;font-variant-numeric:tabular-nums}
.findings{margin:1.3rem 0 0;padding:.8rem 1rem .4rem;background:#fdf6e7;border-left:.35rem solid #d08a12;
border-radius:.35rem}
.findings h3{margin:0 0 .3rem}
ul{padding-left:1.15rem;margin:.2rem 0 .6rem}
li{margin:.15rem 0}
figure{margin:.6rem 0 .2rem}
figure svg{display:block;height:auto}
.narrow{display:none}
.legend{display:flex;flex-wrap:wrap;gap:.15rem 1.3rem;color:var(--faint);font-size:.86rem;line-height:1.35;
margin:.2rem 0 .9rem;max-width:none}
.legend>span{display:inline-flex;align-items:center;gap:.4rem}
.legend .key{width:34px;height:14px;flex:none;display:inline-block}
.table{overflow-x:auto;background:linear-gradient(90deg,#fff 40%,#fff0),linear-gradient(270deg,#fff 40%,#fff0) 100% 0,
linear-gradient(90deg,#1d2b3322,#0000),linear-gradient(270deg,#1d2b3322,#0000) 100% 0;background-repeat:no-repeat;
background-size:2.5rem 100%,2.5rem 100%,.8rem 100%,.8rem 100%;background-attachment:local,local,scroll,scroll}
table{border-collapse:collapse;width:100%;font-size:.9rem;line-height:1.3;font-variant-numeric:tabular-nums}
.caption{color:var(--faint);font-size:.86rem;line-height:1.4;margin:1rem 0 .3rem;max-width:none}
th,td{padding:.36rem .55rem;text-align:right;vertical-align:baseline;border-bottom:1px solid var(--line)}
thead th{color:var(--faint);font-weight:600;font-size:.82rem;vertical-align:bottom;border-bottom:1.5px solid #9aa8b0}
th[scope=row]{font-weight:400;text-align:left;padding-left:0;overflow-wrap:normal;min-width:7.5rem}
thead th,td{overflow-wrap:normal}
thead th:first-child{text-align:left;padding-left:0}
td{white-space:nowrap}
tr.group th,tr.group td{font-weight:650}
.not{color:#7a4a00;font-style:italic}
.shares{display:flex;height:1.1rem;border-radius:.3rem;overflow:hidden;margin:.5rem 0 .3rem;gap:2px;background:#fff}
.shares i{min-width:3px}
i.rule{background:var(--sea)}
i.person{background:repeating-linear-gradient(45deg,#56a3c9 0 5px,#cfe5f0 5px 8px)}
i.unread{background:repeating-linear-gradient(0deg,#d08a12 0 2px,#fdf1d8 2px 5px)}
.legend i{width:1.5rem;height:.8rem;border-radius:.15rem;display:inline-block;flex:none}
details{margin:.8rem 0 0}
summary{cursor:pointer;color:var(--sea)}
code{font-size:.88em}
.methods p{max-width:52rem}
a{color:var(--sea)}
@media (max-width:640px){
body{font-size:15px}
header{padding:1.4rem 1rem 1.1rem}
h1{font-size:1.7rem}
main{padding:.7rem .5rem 2rem}
.survey{padding:1.1rem .8rem .9rem;border-radius:.5rem}
.wide{display:none}
.narrow{display:block}
th,td{padding:.36rem .4rem}
}
@media print{
body{background:#fff;font-size:10.5pt}
header{background:#fff;color:var(--ink);padding:0 0 1rem}
.programme,.contents{color:var(--faint)}
main{padding:0;max-width:none}
.survey{border:0;padding:0}
figure,tr,.findings{break-inside:avoid}
h2,h3{break-after:avoid}
.table{overflow:visible}
}
"""
