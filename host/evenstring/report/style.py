"""Style of the page. One accent; colour never stands alone for a meaning; system fonts; tabular figures."""

from __future__ import annotations

__all__ = ["STYLE"]

STYLE = """
:root{--ink:#1c2226;--soft:#56616a;--paper:#fbfaf7;--line:#d9d6cd;--accent:#a2421c;--near:#7b8a94;--band:#00000009}
@media (prefers-color-scheme:dark){:root{--ink:#e8e6df;--soft:#a4aeb5;--paper:#15191c;--line:#353c41;--accent:#f0a070;
--near:#74828b;--band:#ffffff0c}}
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.55 system-ui,sans-serif;font-variant-numeric:tabular-nums}
main{max-width:62rem;margin:0 auto;padding:2.2rem 1.2rem 4rem}
h1{font-size:1.7rem;line-height:1.2;margin:0;overflow-wrap:anywhere}
h2{font-size:1.1rem;margin:0 0 .5rem}
section{margin-top:2.4rem}
.about,.lead{color:var(--soft);margin:.3rem 0 0;overflow-wrap:anywhere}
.verdict{border-left:.4rem solid var(--accent);padding:.7rem 0 .7rem 1.1rem}
.verdict h2{font-size:1.5rem;line-height:1.25}
.verdict ul{margin:.2rem 0 0;padding-left:1.1rem}
.verdict.open{border-color:var(--line)}
.picture{margin-top:.9rem}
svg.levels{width:100%;height:auto;display:block}
.levels text{font:12px system-ui,sans-serif;fill:var(--soft)}
.levels .name{font-weight:600;fill:var(--accent);font-size:13px}
.levels path{fill:none;stroke-linejoin:round}
.levels .near{stroke:var(--near);stroke-width:.8;opacity:.75}
.levels .far{stroke:var(--accent);stroke-width:1.8}
.levels .grid{stroke:var(--line);stroke-width:.6}
.levels .zero{stroke:var(--soft);stroke-width:1}
.levels .band{fill:none}
.levels .band.charge_cc,.levels .band.charge_cv{fill:var(--band)}
.levels .band.charge_cv{stroke:var(--line);stroke-width:.6}
dl{margin:0}
dl div{display:grid;grid-template-columns:minmax(9rem,17rem) 1fr;gap:.2rem 1.2rem;padding:.28rem 0;border-bottom:1px solid var(--line)}
dt{color:var(--soft)}dd{margin:0;overflow-wrap:anywhere}
.none{color:var(--soft)}
.wide{overflow-x:auto}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;padding:.28rem .9rem .28rem 0;border-bottom:1px solid var(--line);white-space:nowrap}
th{color:var(--soft);font-weight:400}
.cautions{border:1px solid var(--line);padding:1rem 1.1rem}
.cautions p{margin:0}
@media (max-width:36rem){dl div{grid-template-columns:1fr}.levels text{font-size:20px}.levels .name{font-size:22px}}
@media print{body{background:#fff;color:#000;font-size:11pt}main{max-width:none;padding:0}section{break-inside:avoid}}
"""
