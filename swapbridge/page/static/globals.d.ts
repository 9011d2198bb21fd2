// What scripts of other makers put into the page.
declare const uPlot: any;
