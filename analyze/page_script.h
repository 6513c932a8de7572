/* page_script: the fixed texts the bench page serves: its style, its one script, its icon. */
#ifndef TRUEWOUND_PAGE_SCRIPT_H
#define TRUEWOUND_PAGE_SCRIPT_H

/* What the page adds to the common style of reports/style.h. */
const char *page_script_css(void);

/* Puts the parts of the page in place as the server sends them. */
const char *page_script_js(void);

/* SVG. */
const char *page_script_icon(void);

#endif
